//! Backups: one file, made while others work, the same for SQLite and PostgreSQL, compressed, sealed if wanted.
//!
//! The file is lines of JSON: a head, each table with its rows in order, and an end with the count of rows and their hash. Because it does
//! not depend on the database, it also moves a clinic from one to the other.

use std::io::{BufRead, BufReader, Read, Write};
use std::ops::ControlFlow;
use std::path::{Path, PathBuf};

use base64::Engine;
use base64::engine::general_purpose::STANDARD;
use jiff::Timestamp;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};

use crate::seal::{self, Key, Lock, SealError};
use crate::sql::{Conn, Place, StoreError, Val};
use crate::store::{FORMS, Lore, Store, migrate};
use crate::verify::{Progress, Verdict, verify};

/// Why a backup was not made, or not restored.
#[derive(Debug, thiserror::Error)]
pub enum BackupError {
    /// The store failed.
    #[error(transparent)]
    Store(#[from] StoreError),
    /// A file cannot be read or written.
    #[error("{path} cannot be {what}: {why}")]
    File {
        /// Which file.
        path: String,
        /// Read, written, …
        what: &'static str,
        /// Why.
        why: std::io::Error,
    },
    /// It is sealed and the key does not fit, or it cannot be sealed.
    #[error(transparent)]
    Seal(#[from] SealError),
    /// It is no backup, or is damaged.
    #[error("line {line} of the backup: {why}; nothing was replaced; take an older backup")]
    Damaged {
        /// Line, from 1.
        line: u64,
        /// What is wrong.
        why: String,
    },
    /// It is sealed and no key was given.
    #[error("the backup is sealed; give its passphrase or its key file")]
    Sealed,
    /// What was restored does not hold.
    #[error("what the backup holds is not whole: {first} ({count} in all); nothing was replaced")]
    NotWhole {
        /// The first thing that is wrong.
        first: String,
        /// How many things.
        count: usize,
    },
    /// There is something already.
    #[error("{0} is there already; say so if it is to be replaced")]
    There(String),
}

/// Every table with its columns, in the order they are restored. Sessions and tries are left out: nobody stays logged in over a restore.
const TABLES: [(&str, &[&str], &str); 11] = [
    ("meta", &["key", "value"], "key"),
    ("audit", &["number", "at", "who", "what", "about", "person", "content", "before", "hash"], "number"),
    (
        "account",
        &["id", "role", "full_name", "password", "secret", "confirmed", "last_step", "closed", "created"],
        "id",
    ),
    ("record", &["n", "id", "kind", "person", "day", "state", "version", "written", "author", "link", "body"], "n"),
    ("earlier", &["id", "version", "person", "written", "author", "link", "body"], "id, version"),
    ("care", &["person", "account", "since"], "person, account"),
    ("bytes", &["id", "person", "data"], "id"),
    ("erased", &["person", "at", "author", "until", "why"], "person"),
    ("stock", &["number", "used", "link", "entry"], "number"),
    ("word", &["n", "token"], "n"),
    ("words", &["rowid", "tokens"], "rowid"),
];

/// Tables that follow from the others and are made anew.
const DERIVED: [&str; 2] = ["word", "words"];

#[derive(Serialize, Deserialize)]
struct HeadLine {
    fangwright_backup: u32,
    form: i64,
    made: String,
    links: u64,
    hash: String,
    rows: u64,
}

#[derive(Serialize, Deserialize)]
struct EndLine {
    rows: u64,
    sha256: String,
}

#[derive(Serialize, Deserialize)]
#[serde(untagged)]
enum Cell {
    Null,
    Int(i64),
    Text(String),
    Blob { b: String },
}

/// What a backup holds.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct Made {
    /// Where it is.
    pub path: String,
    /// Bytes of the file.
    pub bytes: u64,
    /// Rows of all tables.
    pub rows: u64,
    /// Number of the last link of the chain.
    pub links: u64,
    /// Its hash: an anchor for `audit verify`.
    pub head: String,
    /// Whether it is sealed.
    pub sealed: bool,
}

fn file<'a>(path: &'a Path, what: &'static str) -> impl FnOnce(std::io::Error) -> BackupError + 'a {
    move |why| BackupError::File { path: path.display().to_string(), what, why }
}

struct Lines<W: Write> {
    to: W,
    hash: Sha256,
    rows: u64,
}

impl<W: Write> Lines<W> {
    fn put(&mut self, line: &impl Serialize) -> std::io::Result<()> {
        let mut text = serde_json::to_vec(line)?;
        text.push(b'\n');
        self.hash.update(&text);
        self.to.write_all(&text)
    }
}

const LOT: usize = 2000;

impl Store {
    /// Writes a backup of one moment while others work on. The file stands under its name only once it is whole.
    ///
    /// # Errors
    /// If the store cannot be read or the file not written, or it was told to stop; there is then no file.
    pub fn backup(&self, to: &Path, lock: Option<&Lock>, progress: Progress<'_>) -> Result<Made, BackupError> {
        if to.exists() {
            return Err(BackupError::There(to.display().to_string()));
        }
        let mut part = to.as_os_str().to_owned();
        part.push(".part");
        let part = PathBuf::from(part);
        let done = self.write_backup(&part, lock, progress).and_then(|(rows, links, head)| {
            std::fs::rename(&part, to).map_err(file(to, "named"))?;
            let bytes = std::fs::metadata(to).map_err(file(to, "read"))?.len();
            if let Some(folder) = to.parent().filter(|p| !p.as_os_str().is_empty()) {
                // The name is on the disk only when the folder is.
                let _ = std::fs::File::open(folder).and_then(|f| f.sync_all());
            }
            Ok(Made { path: to.display().to_string(), bytes, rows, links, head, sealed: lock.is_some() })
        });
        if done.is_err() {
            let _ = std::fs::remove_file(&part);
        }
        done
    }

    fn write_backup(
        &self,
        part: &Path,
        lock: Option<&Lock>,
        progress: Progress<'_>,
    ) -> Result<(u64, u64, String), BackupError> {
        let out = std::fs::File::create(part).map_err(file(part, "made"))?;
        let bad = |e: std::io::Error| BackupError::File { path: part.display().to_string(), what: "written", why: e };
        let figures = match lock {
            None => {
                let mut packed = zstd::Encoder::new(&out, 3).map_err(bad)?;
                let figures = self.write_rows(&mut packed, part, progress)?;
                packed.finish().map_err(bad)?;
                figures
            }
            Some(lock) => {
                let mut packed = zstd::Encoder::new(seal::seal(lock, &out)?, 3).map_err(bad)?;
                let figures = self.write_rows(&mut packed, part, progress)?;
                packed.finish().map_err(bad)?.finish()?;
                figures
            }
        };
        out.sync_all().map_err(bad)?;
        Ok(figures)
    }

    fn write_rows(
        &self,
        to: &mut impl Write,
        path: &Path,
        progress: Progress<'_>,
    ) -> Result<(u64, u64, String), BackupError> {
        self.snapshot(|db| {
            let bad =
                |e: std::io::Error| BackupError::File { path: path.display().to_string(), what: "written", why: e };
            let last = db.one("select number, hash from audit order by number desc limit 1", &[])?;
            let (links, head) = last.map_or((0, String::new()), |mut r| (r.int(0) as u64, r.text(1)));
            let mut rows = 0;
            for (table, _, _) in TABLES.iter().filter(|t| !DERIVED.contains(&t.0)) {
                let count = db.one(&format!("select count(*) from {table}"), &[])?;
                rows += count.map_or(0, |r| r.int(0) as u64);
            }
            let mut lines = Lines { to, hash: Sha256::new(), rows: 0 };
            lines
                .put(&HeadLine {
                    fangwright_backup: 1,
                    form: FORMS.len() as i64,
                    made: Timestamp::now().to_string(),
                    links,
                    hash: head.clone(),
                    rows,
                })
                .map_err(bad)?;
            for (table, columns, key) in TABLES.iter().filter(|t| !DERIVED.contains(&t.0)) {
                lines.put(&serde_json::json!({ "table": table, "columns": columns })).map_err(bad)?;
                write_table(db, table, columns, key, &mut lines, path, progress)?;
            }
            let end = EndLine { rows: lines.rows, sha256: hex(&lines.hash.clone().finalize()) };
            lines.put(&serde_json::json!({ "end": end })).map_err(bad)?;
            Ok((lines.rows, links, head))
        })
    }
}

fn hex(bytes: &[u8]) -> String {
    bytes.iter().map(|b| format!("{b:02x}")).collect()
}

fn write_table(
    db: &mut Conn,
    table: &str,
    columns: &[&str],
    key: &str,
    lines: &mut Lines<&mut impl Write>,
    path: &Path,
    progress: Progress<'_>,
) -> Result<(), BackupError> {
    let keys: Vec<&str> = key.split(", ").collect();
    let list = columns.join(", ");
    let places: Vec<String> = (1..=keys.len()).map(|i| format!("?{i}")).collect();
    // Pictures are large: a few at a time.
    let most = if table == "bytes" { 2 } else { LOT };
    let first = format!("select {list} from {table} order by {key} limit {most}");
    let next =
        format!("select {list} from {table} where ({key}) > ({}) order by {key} limit {most}", places.join(", "));
    let mut at: Vec<Val> = Vec::new();
    loop {
        let rows = if at.is_empty() { db.query(&first, &[])? } else { db.query(&next, &at)? };
        let Some(last) = rows.last() else { return Ok(()) };
        at = keys
            .iter()
            .filter_map(|k| columns.iter().position(|c| c == k))
            .filter_map(|i| last.0.get(i).cloned())
            .collect();
        let short = rows.len() < most;
        for row in rows {
            let cells: Vec<Cell> = row
                .0
                .into_iter()
                .map(|v| match v {
                    Val::Null => Cell::Null,
                    Val::Int(n) => Cell::Int(n),
                    Val::Text(t) => Cell::Text(t),
                    Val::Blob(b) => Cell::Blob { b: STANDARD.encode(b) },
                })
                .collect();
            lines.put(&cells).map_err(|e| BackupError::File {
                path: path.display().to_string(),
                what: "written",
                why: e,
            })?;
            lines.rows += 1;
        }
        if progress("rows", lines.rows).is_break() {
            let left = "there is no backup file; the store was only read".into();
            return Err(StoreError::Stopped { done: format!("{} rows", lines.rows), left }.into());
        }
        if short {
            return Ok(());
        }
    }
}

/// Where a restored store is built before it takes its place.
struct Building {
    place: Place,
    /// For PostgreSQL: the schema it is built in, and the one it goes to.
    schemas: Option<(String, String)>,
    address: String,
}

fn building(target: &Place, replace: bool) -> Result<Building, BackupError> {
    match target {
        Place::File(path) => {
            if path.exists() && !replace {
                return Err(BackupError::There(path.display().to_string()));
            }
            let mut part = path.as_os_str().to_owned();
            part.push(".restoring");
            for end in ["", "-wal", "-shm"] {
                let mut old = part.clone();
                old.push(end);
                let _ = std::fs::remove_file(old);
            }
            Ok(Building { place: Place::File(part.into()), schemas: None, address: String::new() })
        }
        Place::Server(address) => {
            let mut db = Conn::open(target, false)?;
            let here = db.one("select current_schema()", &[])?.map(|mut r| r.text(0)).unwrap_or_default();
            if here.is_empty() || here.len() > 36 || here.contains('"') {
                let why = format!(
                    "`{here}` is no schema that a store can be restored into; name one of at most 36 letters in the address"
                );
                return Err(StoreError::Other(why).into());
            }
            let there = db.one("select to_regclass('record') is not null", &[])?.is_some_and(|r| r.int(0) == 1);
            if there && !replace {
                return Err(BackupError::There(format!("a store in schema {here}")));
            }
            let new = format!("{here}_restoring");
            db.batch(&format!("drop schema if exists \"{new}\" cascade; create schema \"{new}\""))?;
            let sign = if address.contains('?') { '&' } else { '?' };
            let place = Place::Server(format!("{address}{sign}options=-csearch_path%3D%22{new}%22"));
            Ok(Building { place, schemas: Some((new, here)), address: address.clone() })
        }
    }
}

/// What a restore did.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct Restored {
    /// Rows that were put back.
    pub rows: u64,
    /// What the verification of the new store came to.
    pub verdict: Verdict,
    /// Where the store that was there before was put; absent if there was none.
    pub before: Option<String>,
    /// Ids of people whose record was erased in the store before, and is back with this backup: erase them again.
    pub back_again: Vec<String>,
}

/// Restores a backup into a new store beside the old one, verifies it, and only then lets it take the old one's place; the old one is
/// kept under another name. Stopped or failed at any moment, nothing is replaced.
///
/// # Errors
/// If the backup is damaged, sealed, not whole, or it was told to stop.
pub fn restore(
    from: &Path,
    key: Option<&Key>,
    target: &Place,
    replace: bool,
    lore: &'static Lore,
    progress: Progress<'_>,
) -> Result<Restored, BackupError> {
    let input = std::fs::File::open(from).map_err(file(from, "opened"))?;
    let (sealed, input) = seal::look(input)?;
    let built = building(target, replace)?;
    let done = (|| {
        let rows = match (sealed, key) {
            (true, None) => return Err(BackupError::Sealed),
            (true, Some(key)) => fill(&built.place, seal::open(key, input)?, from, progress)?,
            (false, _) => fill(&built.place, input, from, progress)?,
        };
        let store = Store::open(&built.place, lore)?;
        store.reindex(progress)?;
        let back_again = back_again(&store, target)?;
        let verdict = store.verify(None, progress)?;
        drop(store);
        if let Some(first) = verdict.tampered.first() {
            let first = format!("{}: {}", first.place, first.what);
            return Err(BackupError::NotWhole { first, count: verdict.tampered.len() });
        }
        if progress("verified", verdict.links).is_break() {
            return Err(stopped(rows));
        }
        let before = take_place(&built, target)?;
        Ok(Restored { rows, verdict, before, back_again })
    })();
    if done.is_err() {
        discard(&built);
    }
    done
}

fn back_again(new: &Store, target: &Place) -> Result<Vec<String>, BackupError> {
    if matches!(target, Place::File(path) if !path.exists()) {
        return Ok(Vec::new());
    }
    // A store that cannot be read has nothing to say.
    let Ok(mut old) = Conn::open(target, true) else { return Ok(Vec::new()) };
    let Ok(rows) = old.query("select person from erased", &[]) else { return Ok(Vec::new()) };
    let mut back = Vec::new();
    for mut row in rows {
        let person = row.text(0);
        let here =
            "select 1 from record r where r.id = ?1 and not exists (select 1 from erased e where e.person = r.id)";
        if new.read(|db| db.one(here, &[(&person).into()]))?.is_some() {
            back.push(person);
        }
    }
    Ok(back)
}

fn stopped(rows: u64) -> BackupError {
    StoreError::Stopped { done: format!("{rows} rows"), left: "nothing was replaced".into() }.into()
}

fn discard(built: &Building) {
    match (&built.place, &built.schemas) {
        (Place::File(path), _) => {
            for end in ["", "-wal", "-shm"] {
                let mut old = path.clone().into_os_string();
                old.push(end);
                let _ = std::fs::remove_file(old);
            }
        }
        (Place::Server(_), Some((new, _))) => {
            if let Ok(mut db) = Conn::open(&Place::Server(built.address.clone()), false) {
                let _ = db.batch(&format!("drop schema if exists \"{new}\" cascade"));
            }
        }
        (Place::Server(_), None) => {}
    }
}

fn take_place(built: &Building, target: &Place) -> Result<Option<String>, BackupError> {
    let stamp = Timestamp::now().strftime("%Y%m%dT%H%M%S").to_string();
    match (&built.place, target, &built.schemas) {
        (Place::File(new), Place::File(path), _) => {
            // All of it into the one file, so that nothing is left in a journal beside it.
            Conn::open(&built.place, false)?.batch("pragma wal_checkpoint(truncate); pragma journal_mode = delete")?;
            std::fs::File::open(new).and_then(|f| f.sync_all()).map_err(file(new, "written"))?;
            let mut before = None;
            if path.exists() {
                // What the old file has in its journal goes into it before it is put aside; that needs everybody else to have let go of it.
                match Conn::open(target, false) {
                    Ok(mut old) => {
                        let mode = old.one("pragma journal_mode = delete", &[])?.map(|mut r| r.text(0));
                        if mode.as_deref() != Some("delete") {
                            let why = "somebody has the store open; stop the service first".into();
                            return Err(StoreError::Busy(why).into());
                        }
                    }
                    // What is damaged may be replaced.
                    Err(StoreError::Damaged(_)) => {}
                    Err(e) => return Err(e.into()),
                }
                let mut aside = path.clone().into_os_string();
                aside.push(format!(".before-{stamp}"));
                let aside = PathBuf::from(aside);
                std::fs::hard_link(path, &aside).map_err(file(&aside, "made"))?;
                for end in ["-wal", "-shm"] {
                    let mut old = path.clone().into_os_string();
                    old.push(end);
                    let _ = std::fs::remove_file(old);
                }
                before = Some(aside.display().to_string());
            }
            // In one step: there is always a store under the name.
            std::fs::rename(new, path).map_err(file(path, "replaced"))?;
            if let Some(folder) = path.parent().filter(|p| !p.as_os_str().is_empty()) {
                let _ = std::fs::File::open(folder).and_then(|f| f.sync_all());
            }
            Ok(before)
        }
        (_, _, Some((new, here))) => {
            let mut db = Conn::open(&Place::Server(built.address.clone()), false)?;
            let aside = format!("{here}_before_{}", stamp.to_lowercase());
            // Only our own tables move: others may keep theirs in the same schema.
            let mut sql = format!("begin; create schema \"{aside}\";");
            let parts = crate::model::Kind::ALL.map(|k| format!("words_{}", k.word()));
            let parts = parts.iter().map(String::as_str);
            for table in TABLES.iter().map(|t| t.0).chain(["session", "attempt"]).chain(parts) {
                sql.push_str(&format!(
                    "alter table if exists \"{here}\".\"{table}\" set schema \"{aside}\"; \
                     alter table \"{new}\".\"{table}\" set schema \"{here}\";"
                ));
            }
            sql.push_str(&format!("drop schema \"{new}\"; commit;"));
            db.batch(&sql)?;
            Ok(Some(format!("schema {aside}")))
        }
        _ => Ok(None),
    }
}

/// Reads a backup's rows into an empty store.
fn fill(place: &Place, from: impl Read, path: &Path, progress: Progress<'_>) -> Result<u64, BackupError> {
    let bad = |e: std::io::Error| match SealError::of(&e) {
        Some(_) => BackupError::Damaged { line: 0, why: e.to_string() },
        None => BackupError::File { path: path.display().to_string(), what: "read", why: e },
    };
    let mut lines = BufReader::new(zstd::Decoder::new(from).map_err(bad)?);
    let mut db = Conn::open(place, false)?;
    let mut reader = Reader { hash: Sha256::new(), line: 0, text: Vec::new() };
    let head = reader.next(&mut lines)?.ok_or_else(|| reader.damaged("it is empty"))?;
    let head: HeadLine =
        serde_json::from_slice(&head).map_err(|_| reader.damaged("this is no backup of a clinic's record"))?;
    if head.fangwright_backup != 1 || head.form > FORMS.len() as i64 || head.form < 1 {
        return Err(StoreError::Newer { found: head.form, known: FORMS.len() as i64 }.into());
    }
    migrate(&mut db, place, usize::try_from(head.form).unwrap_or(FORMS.len()))?;
    db.begin()?;
    db.batch("delete from meta")?;
    let mut insert: Option<(String, usize)> = None;
    let mut rows = 0;
    loop {
        let hash = hex(&reader.hash.clone().finalize());
        let Some(line) = reader.next(&mut lines)? else {
            return Err(reader.damaged("it ends too early"));
        };
        if line.first() == Some(&b'[') {
            let Some((sql, columns)) = &insert else { return Err(reader.damaged("a row stands before its table")) };
            let cells: Vec<Cell> = serde_json::from_slice(&line).map_err(|e| reader.damaged(&e.to_string()))?;
            if cells.len() != *columns {
                return Err(reader.damaged("a row has too many or too few cells"));
            }
            let values = cells
                .into_iter()
                .map(|c| match c {
                    Cell::Null => Ok(Val::Null),
                    Cell::Int(n) => Ok(Val::Int(n)),
                    Cell::Text(t) => Ok(Val::Text(t)),
                    Cell::Blob { b } => STANDARD.decode(b).map(Val::Blob),
                })
                .collect::<Result<Vec<_>, _>>()
                .map_err(|e| reader.damaged(&e.to_string()))?;
            db.execute(sql, &values)?;
            rows += 1;
            if rows % 2000 == 0 && progress("rows put back", rows).is_break() {
                let _ = db.batch("rollback");
                return Err(stopped(rows));
            }
            continue;
        }
        let value: serde_json::Value = serde_json::from_slice(&line).map_err(|e| reader.damaged(&e.to_string()))?;
        if let Some(name) = value.get("table").and_then(|t| t.as_str()) {
            let known = TABLES.iter().find(|t| t.0 == name && !DERIVED.contains(&t.0));
            let Some((table, columns, _)) = known else {
                return Err(reader.damaged("it names a table we do not know"));
            };
            let places: Vec<String> = (1..=columns.len()).map(|i| format!("?{i}")).collect();
            let sql = format!("insert into {table} ({}) values ({})", columns.join(", "), places.join(", "));
            insert = Some((sql, columns.len()));
            continue;
        }
        let end = value.get("end").cloned().and_then(|e| serde_json::from_value::<EndLine>(e).ok());
        let Some(end) = end else { return Err(reader.damaged("this line is neither a table, a row nor the end")) };
        if end.rows != rows || end.sha256 != hash {
            return Err(reader.damaged("rows are missing or were changed"));
        }
        break;
    }
    if db.is_server() {
        db.batch(
            "select setval(pg_get_serial_sequence('record', 'n'), coalesce((select max(n) from record), 0) + 1, false)",
        )?;
    }
    db.batch("commit")?;
    Ok(rows)
}

struct Reader {
    hash: Sha256,
    line: u64,
    text: Vec<u8>,
}

impl Reader {
    fn damaged(&self, why: &str) -> BackupError {
        BackupError::Damaged { line: self.line, why: why.into() }
    }

    fn next(&mut self, from: &mut impl BufRead) -> Result<Option<Vec<u8>>, BackupError> {
        self.text.clear();
        self.line += 1;
        let read = from.read_until(b'\n', &mut self.text);
        match read {
            Ok(0) => Ok(None),
            Ok(_) => {
                self.hash.update(&self.text);
                Ok(Some(self.text.clone()))
            }
            Err(e) => Err(self.damaged(&e.to_string())),
        }
    }
}

/// Never asked to stop.
pub fn quietly(_: &str, _: u64) -> ControlFlow<()> {
    ControlFlow::Continue(())
}

/// For whoever verifies a place without opening it as a store.
///
/// # Errors
/// If it cannot be read.
pub fn verify_place(place: &Place, anchor: Option<(u64, &str)>, progress: Progress<'_>) -> Result<Verdict, StoreError> {
    let mut db = Conn::open(place, true)?;
    db.begin_reading()?;
    verify(&mut db, anchor, progress)
}

/// Makes an empty store of an earlier form: for trying how it is brought to the present one.
///
/// # Errors
/// If it cannot be made.
pub fn make_form(place: &Place, form: usize) -> Result<(), StoreError> {
    let mut db = Conn::open(place, false)?;
    migrate(&mut db, place, form.min(FORMS.len())).map(|_| ())
}
