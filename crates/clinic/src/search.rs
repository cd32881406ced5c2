//! Finding records by words: names in any script, findings, substances, formulas, dates, numbers.

use std::ops::ControlFlow;

use schemars::JsonSchema;
use serde::Serialize;

use crate::audit::sha256;
use crate::model::{Appointment, Attachment, Body, Dispensing, Kind, Measure, Person, Prescription, Reading, Visit};
use crate::record::ClinicError;
use crate::sql::{Conn, StoreError, Val};
use crate::store::{Store, Tx};
use crate::words::{Expr, Knowledge, fts5, pg, read_query};

/// The token of a lot: any text may be a lot number, so its hash stands for it.
pub(crate) fn lot_token(product: &str, lot: &str) -> String {
    let hash = sha256(format!("{}\u{1f}{}", product.trim(), lot.trim()).as_bytes());
    format!("l:{}", hash.get(..24).unwrap_or(&hash))
}

/// A token of how a person is reached.
pub(crate) fn by_contact(token: &str) -> String {
    format!("i:{token}")
}

/// The same of all tokens of an expression.
fn all_by_contact(expr: &Expr) -> Expr {
    match expr {
        Expr::Token(t) => Expr::Token(by_contact(t)),
        Expr::All(list) => Expr::All(list.iter().map(all_by_contact).collect()),
        Expr::Any(list) => Expr::Any(list.iter().map(all_by_contact).collect()),
    }
}

/// The token of a substance.
pub(crate) fn substance_token(id: &str) -> String {
    format!("s:{id}")
}

/// One record that was found.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct Hit {
    /// What kind of record.
    pub kind: Kind,
    /// Its id.
    pub id: String,
    /// Whose it is.
    pub person: String,
    /// Name of the person.
    pub name: String,
    /// Birth date of the person.
    #[schemars(extend("format" = "date"))]
    pub born: Option<String>,
    /// The day of the record.
    #[schemars(extend("format" = "date"))]
    pub day: Option<String>,
    /// What it begins with.
    pub line: String,
    /// Whether words had to be taken for slips.
    pub slip: bool,
}

/// Who looks for what: the kinds they may see of all people, and those they may see of the people in their care only.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Sight {
    /// The account.
    pub account: String,
    /// Kinds that are seen of all. A person is found by name, birth date and how they are reached only.
    pub all: Vec<Kind>,
    /// Kinds that are seen of one's own, by whatever stands in them.
    pub own: Vec<Kind>,
    /// Whether prescriptions that are not signed are left out.
    pub no_drafts: bool,
    /// Whether everything is seen of all, as from the machine itself.
    pub everything: bool,
}

fn kinds(list: &[Kind]) -> String {
    // Words of ours, never of a person.
    list.iter().map(|k| format!("'{}'", k.word())).collect::<Vec<_>>().join(",")
}

/// What is found by whatever stands in it: the kinds, the condition over `record r`, and its parameters. Nothing where nothing is seen so.
fn sight_sql(sight: &Sight, kind: Option<Kind>) -> Option<(Vec<Kind>, String, Vec<Val>)> {
    let narrow =
        |list: &[Kind]| -> Vec<Kind> { list.iter().copied().filter(|k| kind.is_none_or(|w| w == *k)).collect() };
    if sight.everything {
        return Some((narrow(&Kind::ALL), "1 = 1".into(), Vec::new()));
    }
    let mut any = Vec::new();
    // PostgreSQL takes no parameter that is not used.
    let mut params = Vec::new();
    let mut of: Vec<Kind> = narrow(&sight.all).into_iter().filter(|k| *k != Kind::Person).collect();
    if !of.is_empty() {
        any.push(format!("r.kind in ({})", kinds(&of)));
    }
    let own = narrow(&sight.own);
    if !own.is_empty() {
        any.push(format!(
            "(r.kind in ({}) and exists (select 1 from care c where c.person = r.person and c.account = ?1))",
            kinds(&own)
        ));
        params.push((&sight.account).into());
        of.extend(own);
    }
    let drafts = if sight.no_drafts { " and (r.kind <> 'prescription' or r.state <> 'draft')" } else { "" };
    (!any.is_empty()).then(|| (of, format!("({}){drafts}", any.join(" or ")), params))
}

/// Rows of PostgreSQL that hold what an expression asks for, below one, the newest first. Each kind is asked by itself: to merge them the
/// database would walk to the end of every kind in which the words do not stand.
fn held(db: &mut Conn, expr: &Expr, of: &[Kind], below: i64, most: i64) -> Result<Vec<i64>, StoreError> {
    let (condition, words) = pg(expr, 3);
    let params: Vec<Val> = [below.into(), most.into()].into_iter().chain(words.into_iter().map(Val::Text)).collect();
    let mut all = Vec::new();
    for kind in Kind::ALL.into_iter().filter(|k| of.contains(k)) {
        let part = kind.word();
        let sql =
            format!("select rowid from words_{part} where {condition} and rowid < ?1 order by rowid desc limit ?2");
        all.extend(db.query_planned(&sql, &params)?.iter().map(|r| r.int(0)));
    }
    all.sort_unstable_by(|a, b| b.cmp(a));
    all.truncate(usize::try_from(most).unwrap_or(usize::MAX));
    Ok(all)
}

fn numbers(all: &[i64]) -> Val {
    all.iter().map(ToString::to_string).collect::<Vec<_>>().join(",").into()
}

/// Rows of records of some kinds that hold what an expression asks for, the newest first. `bar` is a further condition over `record r`.
fn matching(
    db: &mut Conn,
    expr: &Expr,
    of: &[Kind],
    bar: &str,
    bar_params: &[Val],
    most: u32,
) -> Result<Vec<i64>, StoreError> {
    let kinds = kinds(of);
    let mut params = bar_params.to_vec();
    let first = params.len() + 1;
    if !db.is_server() {
        params.push(fts5(expr).into());
        let sql = format!(
            "select r.n from words w join record r on r.n = w.rowid where w.words match ?{first} and r.kind in ({kinds}) and {bar} \
             order by w.rowid desc limit {most}"
        );
        return Ok(db.query(&sql, &params)?.iter().map(|r| r.int(0)).collect());
    }
    let sql = format!(
        "select r.n from record r where r.n = any(string_to_array(?{first}, ',')::bigint[]) and {bar} order by r.n desc limit {most}"
    );
    params.push(Val::Null);
    let mut found = Vec::new();
    let (mut below, mut lot) = (i64::MAX, 200);
    loop {
        let rows = held(db, expr, of, below, lot)?;
        let Some(last) = rows.last() else { return Ok(found) };
        below = *last;
        if let Some(p) = params.last_mut() {
            *p = numbers(&rows);
        }
        found.extend(db.query(&sql, &params)?.iter().map(|r| r.int(0)));
        if found.len() >= most as usize || (rows.len() as i64) < lot {
            found.truncate(most as usize);
            return Ok(found);
        }
        lot *= 10;
    }
}

/// Whether any record is found by a token.
pub(crate) fn holds_token(db: &mut Conn, token: &str) -> Result<bool, StoreError> {
    let expr = Expr::Token(token.into());
    if db.is_server() {
        let (condition, words) = pg(&expr, 1);
        let params: Vec<Val> = words.into_iter().map(Val::Text).collect();
        return Ok(db.one(&format!("select 1 from words where {condition} limit 1"), &params)?.is_some());
    }
    Ok(db.one("select 1 from words where words match ?1 limit 1", &[fts5(&expr).into()])?.is_some())
}

/// The tokens of all that is kept of a person, earlier versions too.
pub(crate) fn tokens_of_all(tx: &mut Tx<'_>, person: &str) -> Result<Vec<String>, StoreError> {
    let sql = "select kind, body from record where person = ?1 \
        union all select r.kind, e.body from earlier e join record r on r.id = e.id where e.person = ?1";
    let rows = tx.db().query(sql, &[person.into()])?;
    let lore = tx.lore();
    let mut all = std::collections::BTreeSet::new();
    for mut r in rows {
        if let Some(kind) = Kind::from_word(&r.text(0))
            && let Ok(tokens) = tokens_of(kind, &r.text(1), lore.for_search())
        {
            all.extend(tokens);
        }
    }
    Ok(all.into_iter().collect())
}

/// Whether a record of a kind is found by a token.
pub(crate) fn has_token(db: &mut Conn, kind: Kind, n: i64, token: &str) -> Result<bool, StoreError> {
    let expr = Expr::Token(token.into());
    Ok(!matching(db, &expr, &[kind], "r.n = ?1", &[n.into()], 1)?.is_empty())
}

/// At most so many are found.
pub const MOST: u32 = 50;

impl Store {
    /// Finds records by words, the newest first; words are taken for slips only where they find too little as they stand.
    ///
    /// # Errors
    /// If the store fails.
    pub fn search(&self, text: &str, sight: &Sight, kind: Option<Kind>) -> Result<Vec<Hit>, StoreError> {
        let lore = self.lore();
        let knowledge = lore.for_search();
        self.learn_words()?;
        let query = read_query(knowledge, text);
        let expressions = {
            let vocabulary = self.vocabulary().read().unwrap_or_else(std::sync::PoisonError::into_inner);
            [query.exact(&vocabulary), query.loose(knowledge, &vocabulary)]
        };
        self.read(|db| {
            let mut found: Vec<(i64, bool)> = Vec::new();
            for (slip, expr) in [false, true].into_iter().zip(&expressions) {
                let Some(expr) = expr else { continue };
                if found.len() >= ENOUGH || (slip && expressions[0].as_ref() == Some(expr)) {
                    continue;
                }
                let mut here = Vec::new();
                if let Some((of, bar, params)) = sight_sql(sight, kind) {
                    // What the law keeps of an erased record is found by a recall only.
                    let bar = format!("{bar} and {NOT_ERASED}");
                    here.extend(matching(db, expr, &of, &bar, &params, MOST)?);
                }
                let contacts = !sight.everything && sight.all.contains(&Kind::Person);
                if contacts && kind.is_none_or(|k| k == Kind::Person) {
                    here.extend(matching(db, &all_by_contact(expr), &[Kind::Person], NOT_ERASED, &[], MOST)?);
                }
                here.sort_unstable_by(|a, b| b.cmp(a));
                for n in here {
                    if !found.iter().any(|(m, _)| *m == n) {
                        found.push((n, slip));
                    }
                }
            }
            found.truncate(MOST as usize);
            found.into_iter().map(|(n, slip)| hit(db, n, slip)).collect()
        })
    }
}

const NOT_ERASED: &str = "not exists (select 1 from erased e where e.person = r.person)";

/// If words as they stand find so many, nobody asks for slips.
const ENOUGH: usize = 5;

fn hit(db: &mut Conn, n: i64, slip: bool) -> Result<Hit, StoreError> {
    let sql = "select r.id, r.kind, r.person, r.day, r.body, p.body from record r left join record p on p.id = r.person where r.n = ?1";
    let missing = || StoreError::Row { table: "record".into(), row: n.to_string(), why: "it is gone".into() };
    let mut r = db.one(sql, &[n.into()])?.ok_or_else(missing)?;
    let (id, kind, person, day, body, owner) = (r.text(0), r.text(1), r.text(2), r.perhaps(3), r.text(4), r.text(5));
    let owner: Person = serde_json::from_str(&owner).unwrap_or_default();
    let kind = Kind::from_word(&kind).unwrap_or(Kind::Person);
    Ok(Hit {
        kind,
        id,
        name: owner.name().to_string(),
        born: owner.born.map(|d| d.to_string()),
        person,
        day,
        line: line_of(kind, &body),
        slip,
    })
}

/// What a record begins with, in a line.
fn line_of(kind: Kind, body: &str) -> String {
    let value: serde_json::Value = serde_json::from_str(body).unwrap_or_default();
    let text = |key: &str| value.get(key).and_then(|v| v.as_str()).unwrap_or_default().to_string();
    let line = match kind {
        Kind::Person => value
            .get("names")
            .and_then(|n| n.as_array())
            .map_or(String::new(), |names| names.iter().filter_map(|n| n.as_str()).collect::<Vec<_>>().join(", ")),
        Kind::Visit => [text("complaint"), text("notes")].into_iter().find(|t| !t.is_empty()).unwrap_or_default(),
        Kind::Prescription => {
            let names = value.get("items").and_then(|i| i.as_array()).map_or(String::new(), |lines| {
                lines.iter().filter_map(|l| l.get("name")?.as_str()).take(6).collect::<Vec<_>>().join(", ")
            });
            if text("title").is_empty() { names } else { text("title") }
        }
        Kind::Dispensing => text("number"),
        Kind::Measure => text("name"),
        Kind::Reading => text("note"),
        Kind::Appointment => text("about"),
        Kind::Attachment => text("title"),
    };
    if line.chars().count() > 120 { line.chars().take(119).chain(['…']).collect() } else { line }
}

fn tokens_of(kind: Kind, body: &str, k: &Knowledge<'_>) -> Result<Vec<String>, serde_json::Error> {
    fn of<B: Body>(body: &str, k: &Knowledge<'_>) -> Result<Vec<String>, serde_json::Error> {
        serde_json::from_str::<B>(body).map(|b| b.tokens(k))
    }
    match kind {
        Kind::Person => of::<Person>(body, k),
        Kind::Visit => of::<Visit>(body, k),
        Kind::Prescription => of::<Prescription>(body, k),
        Kind::Dispensing => of::<Dispensing>(body, k),
        Kind::Measure => of::<Measure>(body, k),
        Kind::Reading => of::<Reading>(body, k),
        Kind::Appointment => of::<Appointment>(body, k),
        Kind::Attachment => of::<Attachment>(body, k),
    }
}

const LOT: i64 = 400;

impl Store {
    /// Makes the search anew from the records, a lot at a time. It may be stopped at any moment: what was not reached keeps the tokens
    /// it had, and others may read and write all the while.
    ///
    /// # Errors
    /// If the store fails or it was told to stop.
    pub fn reindex(&self, progress: crate::verify::Progress<'_>) -> Result<u64, StoreError> {
        let mut done = 0;
        let mut at = 0_i64;
        loop {
            let (count, last) = self.write(move |tx| lot(tx, at))?;
            if count == 0 {
                return Ok(done);
            }
            done += count;
            at = last;
            if progress("records", done).is_break() {
                let left = "the search is whole: the rest keeps the tokens it had; begin again at any time".into();
                return Err(StoreError::Stopped { done: format!("{done} records"), left });
            }
        }
    }
}

fn lot(tx: &mut Tx<'_>, at: i64) -> Result<(u64, i64), StoreError> {
    let sql = "select n, kind, body, person from record where n > ?1 order by n limit ?2";
    let rows = tx.db().query(sql, &[at.into(), LOT.into()])?;
    let lore = tx.lore();
    let mut last = at;
    let mut count = 0;
    for mut r in rows {
        let n = r.int(0);
        last = n;
        count += 1;
        let Some(kind) = Kind::from_word(&r.text(1)) else { continue };
        let Ok(tokens) = tokens_of(kind, &r.text(2), lore.for_search()) else { continue };
        let person = r.text(3);
        let erased = kind != Kind::Dispensing
            && tx.db().one("select 1 from erased where person = ?1", &[person.into()])?.is_some();
        // Of who was erased only lots are found.
        tx.index(n, kind, if erased { &[] } else { &tokens }, true)?;
    }
    Ok((count, last))
}

/// Never asked to stop.
pub fn quietly(_: &str, _: u64) -> ControlFlow<()> {
    ControlFlow::Continue(())
}

/// Something that can be asked over all records at once.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct Taker {
    /// Id of the person.
    pub person: String,
    /// Name.
    pub name: String,
    /// Telephone.
    pub phone: String,
    /// Electronic mail.
    pub email: String,
    /// The dispensing or prescription.
    pub record: String,
    /// Its day.
    #[schemars(extend("format" = "date"))]
    pub day: Option<String>,
    /// What it is: the dispensing number, or the title of the prescription.
    pub what: String,
    /// Grams of it.
    pub grams: Option<fangwright_safety::Exact>,
    /// Whether what they had may still be in use on the day that was asked about.
    pub current: bool,
    /// Whether the person's record was erased: only the owner of the machine can reach them.
    pub erased: bool,
}

/// What of a person is needed to reach them.
#[derive(Default, serde::Deserialize)]
#[serde(default)]
struct Reached {
    names: Vec<String>,
    phone: String,
    email: String,
}

const TAKERS: usize = 1000;

/// Everybody with a record of a kind, in a state (any, if empty), that is found by one of some tokens, the latest first; `see` gets each
/// with the record and fills in the rest, or leaves them out.
fn takers<B: Body>(
    db: &mut Conn,
    state: &str,
    tokens: &[String],
    mut see: impl FnMut(Taker, B) -> Option<Taker>,
) -> Result<Vec<Taker>, StoreError> {
    let expr = Expr::Any(tokens.iter().map(|t| Expr::Token(t.clone())).collect());
    let columns = "select r.n, r.id, r.person, r.day, r.body, p.body, e.person";
    let beside = "left join record p on p.id = r.person left join erased e on e.person = r.person";
    let bar = "r.kind = ?1 and (r.state = ?2 or ?2 = '')";
    let same = [Val::from(B::KIND.word()), state.into()];
    let mut all = Vec::new();
    let (mut before, mut at) = (i64::MAX, 0);
    // PostgreSQL is asked for all rows once, and for what stands in them a lot at a time; SQLite walks along its index.
    let ids = if db.is_server() { held(db, &expr, &[B::KIND], i64::MAX, i64::MAX)? } else { Vec::new() };
    loop {
        let mut params = same.to_vec();
        let rows = if db.is_server() {
            let lot = &ids[at.min(ids.len())..(at + TAKERS).min(ids.len())];
            if lot.is_empty() {
                return Ok(all);
            }
            at += lot.len();
            params.push(numbers(lot));
            let of = "r.n = any(string_to_array(?3, ',')::bigint[])";
            db.query(&format!("{columns} from record r {beside} where {of} and {bar} order by r.n desc"), &params)?
        } else {
            params.extend([before.into(), fts5(&expr).into()]);
            let of = "w.words match ?4 and w.rowid < ?3";
            let sql = format!(
                "{columns} from words w join record r on r.n = w.rowid {beside} where {of} and {bar} order by w.rowid desc limit {TAKERS}"
            );
            let rows = db.query(&sql, &params)?;
            let Some(last) = rows.last() else { return Ok(all) };
            before = last.int(0);
            rows
        };
        for mut r in rows {
            let Ok(body) = serde_json::from_str::<B>(&r.text(4)) else { continue };
            let reached: Reached = serde_json::from_str(&r.text(5)).unwrap_or_default();
            let erased = r.perhaps(6).is_some();
            let known = |t: Option<String>| t.filter(|_| !erased).unwrap_or_default();
            let taker = Taker {
                record: r.text(1),
                person: r.text(2),
                day: r.perhaps(3),
                name: known(reached.names.into_iter().next()),
                phone: known(Some(reached.phone)),
                email: known(Some(reached.email)),
                what: String::new(),
                grams: None,
                current: false,
                erased,
            };
            all.extend(see(taker, body));
        }
    }
}

fn lasts(day: Option<&String>, days: Option<u32>, on: jiff::civil::Date) -> bool {
    let Some(begun) = day.and_then(|d| d.parse::<jiff::civil::Date>().ok()) else { return true };
    // Where nothing is said on days it may still be taken.
    let Some(days) = days else { return begun <= on };
    begun <= on && begun.saturating_add(jiff::Span::new().days(i64::from(days))) >= on
}

impl Store {
    /// Who had a lot, the latest first.
    ///
    /// # Errors
    /// If the store fails.
    pub fn who_had(&self, product: &str, lot: &str, on: jiff::civil::Date) -> Result<Vec<Taker>, ClinicError> {
        let (product, lot) = (product.trim(), lot.trim());
        self.snapshot(|db| {
            let tokens = [lot_token(product, lot)];
            Ok(takers::<Dispensing>(db, "", &tokens, |mut t, d| {
                let here = d.lines.iter().filter(|l| l.product.trim() == product && l.lot.trim() == lot);
                let sum = here.fold(fangwright_amount::Rational::ZERO, |s, l| s.plus(l.grams.0).unwrap_or(s));
                t.grams = Some(fangwright_safety::Exact(sum));
                t.current = lasts(t.day.as_ref(), Some(d.days), on);
                t.what = d.number;
                sum.is_positive().then_some(t)
            })?)
        })
    }

    /// Who has a signed prescription with a substance, in any of its processed forms, the latest first.
    ///
    /// # Errors
    /// If there is no such substance, or the store fails.
    pub fn who_takes(&self, substance: &str, on: jiff::civil::Date) -> Result<Vec<Taker>, ClinicError> {
        let m = self.lore().materia();
        let ix = m
            .substance_by_id(substance)
            .or_else(|| m.resolve(substance).settled())
            .ok_or_else(|| ClinicError::NotFound { what: "substance".into(), id: substance.into() })?;
        let raw = m.raw_form(ix);
        let mut ids = vec![m.substance(raw).id.clone()];
        ids.extend(m.processed_forms(raw).iter().map(|p| m.substance(*p).id.clone()));
        let tokens: Vec<String> = ids.iter().map(|id| substance_token(id)).collect();
        self.snapshot(|db| {
            Ok(takers::<Prescription>(db, "signed", &tokens, |mut t, rx| {
                let here = rx.items.iter().filter(|l| l.substance.as_ref().is_some_and(|s| ids.contains(s)));
                let sum = here
                    .filter_map(|l| l.grams)
                    .fold(fangwright_amount::Rational::ZERO, |s, g| s.plus(g.0).unwrap_or(s));
                t.grams = sum.is_positive().then_some(fangwright_safety::Exact(sum));
                t.current = lasts(t.day.as_ref(), rx.days, on);
                t.what = rx.title;
                Some(t)
            })?)
        })
    }
}
