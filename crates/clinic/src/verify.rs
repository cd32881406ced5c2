//! Whether everything is as it was written: the chain, each record against the link that wrote it, each attachment, each signature, and
//! the search against the records.

use std::ops::ControlFlow;

use schemars::JsonSchema;
use serde::Serialize;

use crate::audit::{Walk, sha256};
use crate::model::{Body, Dispensing, Kind, Prescription};
use crate::record::{named, signature_fits};
use crate::sql::{Conn, StoreError};
use crate::store::{Store, link_of};

/// Something that is not as it was written.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct Tampered {
    /// Where: a link, a record, an attachment.
    pub place: String,
    /// What is wrong there.
    pub what: String,
}

/// What a verification comes to.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, JsonSchema)]
pub struct Verdict {
    /// Links of the chain that hold.
    pub links: u64,
    /// Hash of the last one. Kept elsewhere, it shows later whether the chain was written anew.
    pub head: String,
    /// Records and earlier versions that are what was written.
    pub records: u64,
    /// Entries of the book of stock that are what was written.
    pub entries: u64,
    /// Attachments whose bytes are what was put in.
    pub attachments: u64,
    /// What is not as it was written.
    pub tampered: Vec<Tampered>,
}

impl Verdict {
    /// Whether everything is as it was written.
    pub fn whole(&self) -> bool {
        self.tampered.is_empty()
    }
}

/// Called with what is being done and how much of it is done; whoever says to stop is obeyed.
pub type Progress<'a> = &'a mut dyn FnMut(&str, u64) -> ControlFlow<()>;

const LOT: i64 = 5000;
/// Of what is wrong, so many places are named.
const NAMED: usize = 200;

fn stopped(done: u64) -> StoreError {
    StoreError::Stopped { done: format!("{done} rows"), left: "nothing was changed".into() }
}

impl Store {
    /// Verifies all of the store at one moment. `anchor` is a link that is known from elsewhere, such as a backup: number and hash.
    ///
    /// # Errors
    /// If the store cannot be read, or it was told to stop. What is not as it was written is in the verdict.
    pub fn verify(&self, anchor: Option<(u64, &str)>, progress: Progress<'_>) -> Result<Verdict, StoreError> {
        self.snapshot(|db| verify(db, anchor, progress))
    }
}

pub(crate) fn verify(
    db: &mut Conn,
    anchor: Option<(u64, &str)>,
    progress: Progress<'_>,
) -> Result<Verdict, StoreError> {
    let mut verdict = Verdict::default();
    chain(db, anchor, &mut verdict, progress)?;
    records(db, "record", &mut verdict, progress)?;
    records(db, "earlier", &mut verdict, progress)?;
    stock(db, &mut verdict, progress)?;
    missing(db, &mut verdict)?;
    attachments(db, &mut verdict, progress)?;
    Ok(verdict)
}

impl Verdict {
    fn wrong(&mut self, place: impl Into<String>, what: impl Into<String>) {
        if self.tampered.len() < NAMED {
            self.tampered.push(Tampered { place: place.into(), what: what.into() });
        }
    }
}

fn chain(
    db: &mut Conn,
    anchor: Option<(u64, &str)>,
    verdict: &mut Verdict,
    progress: Progress<'_>,
) -> Result<(), StoreError> {
    let mut walk = Walk::default();
    let mut at = 0_i64;
    'all: loop {
        let sql = "select number, at, who, what, about, person, content, before, hash from audit where number > ?1 order by number limit ?2";
        let rows = db.query(sql, &[at.into(), LOT.into()])?;
        if rows.is_empty() {
            break;
        }
        for mut row in rows {
            at = row.int(0);
            let step = link_of(&mut row).and_then(|link| walk.step(&link).map_err(StoreError::from).map(|()| link));
            match step {
                Ok(link) => {
                    if let Some((number, hash)) = anchor
                        && link.number == number
                        && link.hash != hash
                    {
                        verdict.wrong(
                            format!("link {number}"),
                            "the chain up to here was written anew: its hash is not the one known from elsewhere",
                        );
                        break 'all;
                    }
                }
                Err(StoreError::Broken(b)) => {
                    verdict.wrong(format!("link {}", b.number), b.why);
                    break 'all;
                }
                Err(e) => {
                    verdict.wrong(format!("link {at}"), e.to_string());
                    break 'all;
                }
            }
        }
        if progress("links of the chain", walk.head().0).is_break() {
            return Err(stopped(walk.head().0));
        }
    }
    let (number, hash) = walk.head();
    (verdict.links, verdict.head) = (number, hash.to_string());
    if !verdict.whole() {
        return Ok(());
    }
    if let Some((known, _)) = anchor
        && number < known
    {
        verdict.wrong(
            format!("link {}", number + 1),
            format!("the chain ends here, and elsewhere it is known up to link {known}"),
        );
    }
    let head = db.one("select value from meta where key = 'head'", &[])?.map(|mut r| r.text(0)).unwrap_or_default();
    if head != format!("{number} {hash}") && (number > 0 || !head.is_empty()) {
        let known = head.split(' ').next().unwrap_or("?").to_string();
        verdict.wrong(
            format!("link {}", number + 1),
            format!("links were cut off the end: the last one written was {known}"),
        );
    }
    Ok(())
}

fn records(db: &mut Conn, table: &str, verdict: &mut Verdict, progress: Progress<'_>) -> Result<(), StoreError> {
    let mut at = (String::new(), 0_i64);
    loop {
        let (kind, state) = if table == "record" { ("t.kind", "t.state") } else { ("''", "''") };
        let sql = format!(
            "select t.id, t.version, t.body, t.link, a.about, a.content, {kind}, t.person, a.person, {state} from {table} t left join audit a on a.number = t.link \
             where (t.id, t.version) > (?1, ?2) order by t.id, t.version limit ?3"
        );
        let rows = db.query(&sql, &[(&at.0).into(), at.1.into(), LOT.into()])?;
        if rows.is_empty() {
            return Ok(());
        }
        for mut r in rows {
            let (id, version, body, link) = (r.text(0), r.int(1), r.text(2), r.int(3));
            let (about, content, kind) = (r.text(4), r.text(5), r.text(6));
            let fits = about.ends_with(&format!("{id} v{version}"))
                && (kind.is_empty() || about == named(&kind, &id, u32::try_from(version).unwrap_or(0)));
            if !fits {
                verdict.wrong(format!("{kind} {id} v{version}"), format!("link {link} of the chain did not write it"));
            } else if content != sha256(body.as_bytes()) {
                verdict.wrong(about, "it was changed behind the program's back");
            } else if r.text(7) != r.text(8) {
                verdict.wrong(about, "it was moved to another person behind the program's back");
            } else if kind == Kind::Prescription.word()
                && serde_json::from_str::<Prescription>(&body).is_ok_and(|rx| rx.state_word() != r.text(9))
            {
                verdict.wrong(about, "its state is not what it says");
            } else if kind == Kind::Prescription.word()
                && serde_json::from_str::<Prescription>(&body)
                    .is_ok_and(|rx| rx.signed.is_some() && !signature_fits(&rx))
            {
                verdict.wrong(about, "its signature does not fit what it says");
            } else {
                verdict.records += 1;
            }
            at = (id, version);
        }
        if progress("records", verdict.records).is_break() {
            return Err(stopped(verdict.records));
        }
    }
}

fn stock(db: &mut Conn, verdict: &mut Verdict, progress: Progress<'_>) -> Result<(), StoreError> {
    let mut at = 0_i64;
    loop {
        let sql = "select s.number, s.entry, s.link, a.about, a.content from stock s left join audit a on a.number = s.link \
            where s.number > ?1 order by s.number limit ?2";
        let rows = db.query(sql, &[at.into(), LOT.into()])?;
        if rows.is_empty() {
            return Ok(());
        }
        for mut r in rows {
            if r.int(0) != at + 1 {
                verdict.wrong(format!("stock entry {}", at + 1), "it is gone");
            }
            at = r.int(0);
            let (entry, about, content) = (r.text(1), r.text(3), r.text(4));
            if about != format!("entry {at}") {
                verdict.wrong(format!("stock entry {at}"), format!("link {} of the chain did not write it", r.int(2)));
            } else if content != sha256(entry.as_bytes()) {
                verdict.wrong(format!("stock entry {at}"), "it was changed behind the program's back");
            } else {
                verdict.entries += 1;
            }
        }
        if progress("entries of stock", verdict.entries).is_break() {
            return Err(stopped(verdict.entries));
        }
    }
}

/// What the chain says was written, and is not there.
fn missing(db: &mut Conn, verdict: &mut Verdict) -> Result<(), StoreError> {
    let sql = "select a.number, a.about from audit a where a.content <> '' \
        and not exists (select 1 from record r where r.link = a.number) \
        and not exists (select 1 from earlier e where e.link = a.number) \
        and not (a.what = 'moved stock' and exists (select 1 from stock s where s.link = a.number)) \
        and not exists (select 1 from audit x where x.person = a.person and x.what = 'erased' and x.number > a.number) order by a.number limit 200";
    for mut r in db.query(sql, &[])? {
        let number = r.int(0);
        verdict.wrong(r.text(1), format!("link {number} of the chain wrote it, and it is gone"));
    }
    Ok(())
}

fn attachments(db: &mut Conn, verdict: &mut Verdict, progress: Progress<'_>) -> Result<(), StoreError> {
    let mut at = String::new();
    loop {
        // Pictures are large: a few at a time.
        let sql = "select r.id, r.body, b.data from record r left join bytes b on b.id = r.id where r.kind = 'attachment' and r.id > ?1 order by r.id limit 2";
        let rows = db.query(sql, &[(&at).into()])?;
        if rows.is_empty() {
            return Ok(());
        }
        for mut r in rows {
            let (id, body, data) = (r.text(0), r.text(1), r.blob(2));
            let known = serde_json::from_str::<crate::model::Attachment>(&body).map(|a| a.sha256).unwrap_or_default();
            if data.is_empty() {
                verdict.wrong(format!("attachment {id}"), "its bytes are gone");
            } else if sha256(&data) != known {
                verdict.wrong(format!("attachment {id}"), "its bytes are not those that were put in");
            } else {
                verdict.attachments += 1;
            }
            at = id;
        }
        if progress("attachments", verdict.attachments).is_break() {
            return Err(stopped(verdict.attachments));
        }
    }
}

/// Dispensings that the search does not find by a lot they name; none if the search is whole.
///
/// # Errors
/// If the store fails.
pub fn lots_not_found(store: &Store, progress: Progress<'_>) -> Result<Vec<String>, StoreError> {
    let mut lost = Vec::new();
    let mut at = 0_i64;
    loop {
        let rows = store.read(|db| {
            let sql = "select n, id, body from record where kind = 'dispensing' and n > ?1 order by n limit 500";
            db.query(sql, &[at.into()])
        })?;
        if rows.is_empty() {
            return Ok(lost);
        }
        for mut r in rows {
            at = r.int(0);
            let id = r.text(1);
            let Ok(body) = serde_json::from_str::<Dispensing>(&r.text(2)) else { continue };
            let tokens = body.tokens(store.lore().for_search());
            for token in tokens.iter().filter(|t| t.starts_with("l:")) {
                let found = store.read(|db| crate::search::has_token(db, Kind::Dispensing, at, token))?;
                if !found {
                    lost.push(id.clone());
                    break;
                }
            }
        }
        if progress("dispensings", u64::try_from(at).unwrap_or(0)).is_break() {
            return Err(stopped(u64::try_from(at).unwrap_or(0)));
        }
    }
}
