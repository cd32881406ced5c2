//! Keeping records and getting them back: made, changed, signed, withdrawn; the whole of a person; who cares for whom.

use fangwright_dispense::{LedgerError, LogError};
use fangwright_safety::{Case, CaseError, CaseInput, Facts, Line, Names, Patient, PatientError, Report};
use jiff::civil::Date;
use serde::Serialize;

use crate::audit::{Deed, sha256};
use crate::model::{Attachment, Body, Kept, Kind, Person, Prescription, Signature, SignedFinding, Whole, Withdrawal};
use crate::sql::{Conn, Row, StoreError, Val};
use crate::store::{Lore, Tx};

/// Why a piece of work on the record was not done.
#[derive(Debug, Clone, thiserror::Error)]
pub enum ClinicError {
    /// The store failed.
    #[error(transparent)]
    Store(#[from] StoreError),
    /// There is no such record.
    #[error("there is no {what} `{id}`")]
    NotFound {
        /// What was looked for.
        what: String,
        /// Its id.
        id: String,
    },
    /// Somebody else changed it in between.
    #[error(
        "version {given} of {id} was changed in between: it is at version {found}; read it again and put your change on top"
    )]
    Changed {
        /// Id.
        id: String,
        /// The version the change was made on.
        given: u32,
        /// The version there is.
        found: u32,
    },
    /// What is signed stays as it is.
    #[error("prescription {id} is {state} and takes no change; write a further one that names it as its parent")]
    Signed {
        /// Id.
        id: String,
        /// `signed` or `withdrawn`.
        state: String,
    },
    /// It is not signed, or not any more.
    #[error("prescription {id} is {state}; only a signed one is dispensed or withdrawn")]
    NotSigned {
        /// Id.
        id: String,
        /// `draft` or `withdrawn`.
        state: String,
    },
    /// Something in it is wrong.
    #[error("{0}")]
    Fault(String),
    /// The safety check stands against it.
    #[error("{} of the upper two severities {} against it; change it, or set each aside with a reason", count(findings.len()), if findings.len() == 1 { "stands" } else { "stand" })]
    Stands {
        /// What stands: key and title.
        findings: Vec<SignedFinding>,
    },
    /// A line or a figure of the prescription makes no sense.
    #[error(transparent)]
    Case(#[from] CaseError),
    /// Something said of the person makes no sense.
    #[error(transparent)]
    Patient(#[from] PatientError),
    /// Stock refuses.
    #[error(transparent)]
    Stock(#[from] LedgerError),
    /// It cannot be made up as asked.
    #[error(transparent)]
    Plan(#[from] Box<fangwright_dispense::PlanError>),
    /// A stored body is not what it should be.
    #[error("{kind} {id} cannot be read: {why}")]
    Unreadable {
        /// Kind.
        kind: String,
        /// Id.
        id: String,
        /// Why.
        why: String,
    },
    /// The person's record was erased.
    #[error("the record of {person} was erased on {at}; what the law keeps of it is sealed until {until}")]
    Erased {
        /// Id.
        person: String,
        /// When.
        at: String,
        /// Until when.
        until: String,
    },
}

impl From<LogError> for ClinicError {
    fn from(e: LogError) -> ClinicError {
        ClinicError::Stock(e.into())
    }
}

impl ClinicError {
    /// What of a report stands against a prescription.
    pub(crate) fn stands(report: &Report) -> ClinicError {
        let upper = |f: &&fangwright_safety::Finding| f.severity <= fangwright_materia::records::Severity::Grave;
        ClinicError::Stands { findings: report.findings.iter().filter(upper).map(signed_finding).collect() }
    }
}

fn count(n: usize) -> String {
    if n == 1 { "one finding".into() } else { format!("{n} findings") }
}

/// A new id: UUID version 7 (RFC 9562), so that ids sort by when they were made.
pub fn new_id() -> String {
    uuid::Uuid::now_v7().to_string()
}

/// `visit 0190… v2`: how a deed names a version of a record.
pub(crate) fn named(kind: &str, id: &str, version: u32) -> String {
    format!("{kind} {id} v{version}")
}

fn body_of<B: Body>(body: &B) -> Result<String, ClinicError> {
    serde_json::to_string(body).map_err(|e| ClinicError::Fault(format!("it cannot be written as JSON: {e}")))
}

fn day_of<B: Body>(body: &B) -> Val {
    body.day().map(|d| d.to_string()).into()
}

const COLUMNS: &str = "id, person, version, written, author, body";

fn kept<B: Body>(row: &mut Row) -> Result<Kept<B>, ClinicError> {
    let id = row.text(0);
    let bad = |why: String| ClinicError::Unreadable { kind: B::KIND.word().into(), id: id.clone(), why };
    Ok(Kept {
        person: row.text(1),
        version: u32::try_from(row.int(2)).unwrap_or(0),
        written: row.text(3).parse().map_err(|e: jiff::Error| bad(e.to_string()))?,
        by: row.text(4),
        record: serde_json::from_str(&row.text(5)).map_err(|e| bad(e.to_string()))?,
        id,
    })
}

fn no<B: Body>(id: &str) -> ClinicError {
    ClinicError::NotFound { what: B::KIND.word().into(), id: id.into() }
}

/// A record by id.
///
/// # Errors
/// If there is none of this kind.
pub fn get<B: Body>(db: &mut Conn, id: &str) -> Result<Kept<B>, ClinicError> {
    let sql = format!("select {COLUMNS} from record where id = ?1 and kind = ?2");
    let mut row = db.one(&sql, &[id.into(), B::KIND.word().into()])?.ok_or_else(|| no::<B>(id))?;
    kept(&mut row)
}

/// All versions of a record, the first first.
///
/// # Errors
/// If there is none of this kind.
pub fn versions<B: Body>(db: &mut Conn, id: &str) -> Result<Vec<Kept<B>>, ClinicError> {
    let last = get::<B>(db, id)?;
    let sql = format!("select {COLUMNS} from earlier where id = ?1 order by version");
    let mut all = db.query(&sql, &[id.into()])?.iter_mut().map(kept).collect::<Result<Vec<_>, _>>()?;
    all.push(last);
    Ok(all)
}

/// The records of one kind of a person, by day.
///
/// # Errors
/// If one cannot be read.
pub fn list<B: Body>(db: &mut Conn, person: &str) -> Result<Vec<Kept<B>>, ClinicError> {
    let sql = format!("select {COLUMNS} from record where person = ?1 and kind = ?2 order by coalesce(day, ''), n");
    db.query(&sql, &[person.into(), B::KIND.word().into()])?.iter_mut().map(kept).collect()
}

/// Records of one kind in a state, of days up to one, the earliest first.
///
/// # Errors
/// If one cannot be read.
pub fn by_state<B: Body>(db: &mut Conn, state: &str, upto: Date, most: u32) -> Result<Vec<Kept<B>>, ClinicError> {
    let sql =
        format!("select {COLUMNS} from record where kind = ?1 and state = ?2 and day <= ?3 order by day, n limit ?4");
    let params = [B::KIND.word().into(), state.into(), upto.to_string().into(), most.into()];
    db.query(&sql, &params)?.iter_mut().map(kept).collect()
}

/// Kind and person of a record.
///
/// # Errors
/// If the store fails.
pub fn whose(db: &mut Conn, id: &str) -> Result<Option<(String, String)>, StoreError> {
    Ok(db.one("select kind, person from record where id = ?1", &[id.into()])?.map(|mut r| (r.text(0), r.text(1))))
}

/// All that is kept of a person.
///
/// # Errors
/// If there is no such person.
pub fn whole(db: &mut Conn, person: &str) -> Result<Whole, ClinicError> {
    let mut all = Whole {
        person: get(db, person)?,
        visits: Vec::new(),
        prescriptions: Vec::new(),
        dispensings: Vec::new(),
        measures: Vec::new(),
        readings: Vec::new(),
        appointments: Vec::new(),
        attachments: Vec::new(),
    };
    // Days that are absent stand at the end in one database and at the beginning in the other.
    let sql = format!("select {COLUMNS}, kind from record where person = ?1 order by coalesce(day, ''), n");
    for mut row in db.query(&sql, &[person.into()])? {
        match Kind::from_word(&row.text(6)) {
            Some(Kind::Visit) => all.visits.push(kept(&mut row)?),
            Some(Kind::Prescription) => all.prescriptions.push(kept(&mut row)?),
            Some(Kind::Dispensing) => all.dispensings.push(kept(&mut row)?),
            Some(Kind::Measure) => all.measures.push(kept(&mut row)?),
            Some(Kind::Reading) => all.readings.push(kept(&mut row)?),
            Some(Kind::Appointment) => all.appointments.push(kept(&mut row)?),
            Some(Kind::Attachment) => all.attachments.push(kept(&mut row)?),
            Some(Kind::Person) | None => {}
        }
    }
    Ok(all)
}

/// Ids of people after one, in the order they were taken in.
///
/// # Errors
/// If the store fails.
pub fn people_after(db: &mut Conn, n: i64, most: u32) -> Result<Vec<(i64, String)>, StoreError> {
    let sql = "select n, id from record where n > ?1 and kind = 'person' order by n limit ?2";
    Ok(db.query(sql, &[n.into(), most.into()])?.into_iter().map(|mut r| (r.int(0), r.text(1))).collect())
}

/// Bytes of an attachment.
///
/// # Errors
/// If there are none, or they are not what was put in.
pub fn bytes(db: &mut Conn, id: &str) -> Result<(Kept<Attachment>, Vec<u8>), ClinicError> {
    let about = get::<Attachment>(db, id)?;
    let data = db
        .one("select data from bytes where id = ?1", &[id.into()])?
        .map(|mut r| r.blob(0))
        .ok_or_else(|| ClinicError::NotFound { what: "bytes of attachment".into(), id: id.into() })?;
    if sha256(&data) != about.record.sha256 {
        let why = "its bytes are not those that were put in".into();
        return Err(ClinicError::Unreadable { kind: "attachment".into(), id: id.into(), why });
    }
    Ok((about, data))
}

/// Whether an account cares for a person.
///
/// # Errors
/// If the store fails.
pub fn cares(db: &mut Conn, account: &str, person: &str) -> Result<bool, StoreError> {
    let found = db.one("select 1 from care where person = ?1 and account = ?2", &[person.into(), account.into()])?;
    Ok(found.is_some())
}

/// Who cares for a person.
///
/// # Errors
/// If the store fails.
pub fn carers(db: &mut Conn, person: &str) -> Result<Vec<String>, StoreError> {
    let rows = db.query("select account from care where person = ?1 order by since, account", &[person.into()])?;
    Ok(rows.into_iter().map(|mut r| r.text(0)).collect())
}

/// How a person comes to stand for a rulebook on a day. What was not asked, or too long ago, is not known.
pub fn patient_of(person: &Person, on: Date, patterns: &[String], laws: &[String]) -> Patient {
    let days_since = |then: Date| on.since(then).map_or(i64::MAX, |s| i64::from(s.get_days()));
    // What can change from one month to the next has to be asked anew (common practice, no source).
    let fresh = |then: Date| (0..=FRESH_DAYS).contains(&days_since(then));
    let weight = person.weights.iter().filter(|w| w.on <= on).max_by_key(|w| w.on);
    let years = person.years(on);
    // A child's weight is old after three months, a grown-up's after a year (common practice, no source).
    let weight_days = if years.is_some_and(|y| y < 18) { 92 } else { 366 };
    let operation = person.operation.filter(|o| o.on.is_some() || fresh(o.asked));
    let age = person.born.filter(|b| *b <= on).map(|born| match years {
        Some(y) if y >= 2 => y.to_string(),
        // Small children are reckoned in days.
        _ => format!("{} days", days_since(born)),
    });
    let current =
        |since: Option<Date>, until: Option<Date>| since.is_none_or(|s| s <= on) && until.is_none_or(|u| u >= on);
    Patient {
        age,
        sex: person.sex.map(|s| s.word().to_string()),
        weight_kg: weight.filter(|w| days_since(w.on) <= weight_days).map(|w| w.kg),
        height_cm: person.height_cm,
        pregnant: person.pregnant.filter(|a| fresh(a.asked)).map(|a| a.yes),
        breast_feeding: person.breast_feeding.filter(|a| fresh(a.asked)).map(|a| a.yes),
        conditions: person
            .conditions
            .as_ref()
            .map(|all| all.iter().filter(|c| current(c.since, c.until)).map(|c| c.name.clone()).collect()),
        medicines: person
            .medicines
            .as_ref()
            .map(|all| all.iter().filter(|c| current(c.since, c.until)).map(|c| c.name.clone()).collect()),
        allergies: person.allergies.clone(),
        diets: person.diets.clone(),
        surgery_in_days: operation
            .and_then(|o| o.on)
            .filter(|day| *day >= on)
            .and_then(|day| u32::try_from(day.since(on).map_or(0, |s| s.get_days())).ok()),
        no_surgery: operation.is_some_and(|o| o.on.is_none_or(|day| day < on)),
        athlete: person.athlete,
        g6pd_deficient: person.g6pd_deficient,
        laws: laws.to_vec(),
        patterns: patterns.to_vec(),
        ..Patient::default()
    }
}

/// Days for which the answer to a question that can change counts as known.
const FRESH_DAYS: i64 = 31;

/// A prescription as the safety check takes it.
pub fn case_input(rx: &Prescription, patient: Option<Patient>) -> CaseInput<'static> {
    let line = |l: &crate::model::RxLine| Line {
        name: l.name.clone().into(),
        substance: l.substance.clone(),
        grams: l.grams,
        pot: l.pot.clone(),
    };
    CaseInput {
        items: rx.items.iter().map(line).collect(),
        form: rx.form,
        granule_ratio: rx.granule_ratio,
        days: rx.days,
        patient,
        overrides: rx.overrides.clone(),
        ..CaseInput::default()
    }
}

/// Checks a prescription for a person on a day.
///
/// # Errors
/// Where a weight, an age or a size makes no sense.
pub fn check(
    lore: &Lore,
    rx: &Prescription,
    person: &Person,
    on: Date,
    laws: &[String],
) -> Result<(Case, Facts, Report), ClinicError> {
    let patient = patient_of(person, on, &rx.patterns, laws);
    let mut case = Case::default();
    let mut input = case_input(rx, None);
    // A line is written as a name or as an id, never both ways at once.
    for line in &mut input.items {
        if line.substance.is_some() {
            line.name = "".into();
        }
    }
    Names::default().fill(lore.materia(), &input, &mut case)?;
    case.written = rx.items.iter().map(|l| (l.name.clone(), None)).collect();
    let facts = Facts::new(lore.rules(), &patient)?;
    let report = lore.rules().check(lore.materia(), &case, &facts, &rx.overrides);
    Ok((case, facts, report))
}

/// The part of a prescription that is signed.
fn signed_part(rx: &Prescription) -> Prescription {
    Prescription { signed: None, withdrawn: None, ..rx.clone() }
}

/// Whether a signature fits what it stands under.
pub fn signature_fits(rx: &Prescription) -> bool {
    let Some(signature) = &rx.signed else { return false };
    body_of(&signed_part(rx)).is_ok_and(|body| sha256(body.as_bytes()) == signature.hash)
}

fn words_of<T: Serialize>(value: &T) -> String {
    serde_json::to_value(value).ok().and_then(|v| v.as_str().map(str::to_string)).unwrap_or_default()
}

fn signed_finding(f: &fangwright_safety::Finding) -> SignedFinding {
    SignedFinding {
        key: f.key.clone(),
        rule: f.rule.clone(),
        severity: words_of(&f.severity),
        title: f.title.clone(),
        set_aside: f.overridden.as_ref().map(|o| o.reason.clone()),
    }
}

impl Tx<'_> {
    fn barred(&mut self, person: &str) -> Result<(), ClinicError> {
        let found = self.db().one("select at, until from erased where person = ?1", &[person.into()])?;
        match found {
            Some(mut r) => Err(ClinicError::Erased { person: person.into(), at: r.text(0), until: r.text(1) }),
            None => Ok(()),
        }
    }

    /// Keeps a new record. A person needs no person; everything else names one.
    ///
    /// # Errors
    /// If something is wrong with it, or there is no such person.
    pub fn create<B: Body>(&mut self, who: &str, person: Option<&str>, body: B) -> Result<Kept<B>, ClinicError> {
        let id = new_id();
        let person = match person {
            Some(p) => {
                self.barred(p)?;
                let found = self.db().one("select 1 from record where id = ?1 and kind = 'person'", &[p.into()])?;
                found.ok_or_else(|| no::<Person>(p))?;
                p.to_string()
            }
            None if B::KIND == Kind::Person => id.clone(),
            None => return Err(ClinicError::Fault(format!("a {} belongs to a person; name one", B::KIND.word()))),
        };
        let written = self.now();
        self.put("wrote", who, Kept { id, person, version: 1, written, by: who.into(), record: body })
    }

    /// Takes in a record that was kept elsewhere, as it was there.
    ///
    /// # Errors
    /// If its id is taken, or something is wrong with it.
    pub fn take_in<B: Body>(&mut self, who: &str, record: Kept<B>) -> Result<Kept<B>, ClinicError> {
        self.barred(&record.person)?;
        if record.version == 0 || record.version > 1_000_000_000 {
            return Err(ClinicError::Fault(format!("{} is no version of a record", record.version)));
        }
        let there = self.db().one("select 1 from record where id = ?1", &[(&record.id).into()])?;
        if there.is_some() {
            return Err(StoreError::Taken(format!("{} {}", B::KIND.word(), record.id)).into());
        }
        self.put("took in", who, record)
    }

    fn put<B: Body>(&mut self, what: &str, who: &str, record: Kept<B>) -> Result<Kept<B>, ClinicError> {
        if let Some(fault) = record.record.fault() {
            return Err(ClinicError::Fault(fault));
        }
        let kind = B::KIND.word();
        let body = body_of(&record.record)?;
        let deed = Deed::new(self.now(), who, what, named(kind, &record.id, record.version));
        let link = self.note(deed.of(&record.person).writing(&body));
        let row = self.db().one(
            "insert into record (id, kind, person, day, state, version, written, author, link, body) \
             values (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10) returning n",
            &[
                (&record.id).into(),
                kind.into(),
                (&record.person).into(),
                day_of(&record.record),
                record.record.state().into(),
                record.version.into(),
                record.written.to_string().into(),
                (&record.by).into(),
                link.into(),
                body.into(),
            ],
        )?;
        let n = row.map_or(0, |r| r.int(0));
        let lore = self.lore();
        self.index(n, B::KIND, &record.record.tokens(lore.for_search()), false)?;
        Ok(record)
    }

    /// Keeps a further version of a record; the one before stays readable.
    ///
    /// # Errors
    /// If it was changed in between, is signed, or something is wrong with it.
    pub fn change<B: Body>(&mut self, who: &str, id: &str, version: u32, body: B) -> Result<Kept<B>, ClinicError> {
        if B::KIND == Kind::Prescription {
            let state = get::<Prescription>(self.db(), id)?.record.state_word();
            if state != "draft" {
                return Err(ClinicError::Signed { id: id.into(), state: state.into() });
            }
        }
        self.replace("wrote", who, id, version, body)
    }

    fn replace<B: Body>(
        &mut self,
        what: &str,
        who: &str,
        id: &str,
        version: u32,
        body: B,
    ) -> Result<Kept<B>, ClinicError> {
        if let Some(fault) = body.fault() {
            return Err(ClinicError::Fault(fault));
        }
        let kind = B::KIND.word();
        let sql = "select n, person, version from record where id = ?1 and kind = ?2";
        let mut row = self.db().one(sql, &[id.into(), kind.into()])?.ok_or_else(|| no::<B>(id))?;
        let (n, person, found) = (row.int(0), row.text(1), u32::try_from(row.int(2)).unwrap_or(0));
        self.barred(&person)?;
        if found != version {
            return Err(ClinicError::Changed { id: id.into(), given: version, found });
        }
        let text = body_of(&body)?;
        let now = self.now();
        let deed = Deed::new(now, who, what, named(kind, id, version + 1)).of(&person).writing(&text);
        let link = self.note(deed);
        self.db().execute(
            "insert into earlier (id, version, person, written, author, link, body) \
             select id, version, person, written, author, link, body from record where n = ?1",
            &[n.into()],
        )?;
        self.db().execute(
            "update record set day = ?2, state = ?3, version = ?4, written = ?5, author = ?6, link = ?7, body = ?8 where n = ?1",
            &[
                n.into(),
                day_of(&body),
                body.state().into(),
                (version + 1).into(),
                now.to_string().into(),
                who.into(),
                link.into(),
                text.into(),
            ],
        )?;
        let lore = self.lore();
        self.index(n, B::KIND, &body.tokens(lore.for_search()), true)?;
        Ok(Kept { id: id.into(), person, version: version + 1, written: now, by: who.into(), record: body })
    }

    /// Writes a prescription, with the id of each name that is settled filled in.
    ///
    /// # Errors
    /// If something is wrong with it, or it names a visit or parent of somebody else.
    pub fn write_prescription(
        &mut self,
        who: &str,
        person: &str,
        mut rx: Prescription,
    ) -> Result<Kept<Prescription>, ClinicError> {
        self.settle(person, &mut rx)?;
        self.create(who, Some(person), rx)
    }

    /// Changes a draft.
    ///
    /// # Errors
    /// If it is signed, was changed in between, or something is wrong with it.
    pub fn change_prescription(
        &mut self,
        who: &str,
        id: &str,
        version: u32,
        mut rx: Prescription,
    ) -> Result<Kept<Prescription>, ClinicError> {
        let person = get::<Prescription>(self.db(), id)?.person;
        self.settle(&person, &mut rx)?;
        self.change(who, id, version, rx)
    }

    fn settle(&mut self, person: &str, rx: &mut Prescription) -> Result<(), ClinicError> {
        // Nobody but `sign` and `withdraw` sets these.
        (rx.signed, rx.withdrawn) = (None, None);
        for (what, id) in [("visit", &rx.visit), ("prescription", &rx.parent)] {
            let Some(id) = id else { continue };
            let found = whose(self.db(), id)?;
            if found.as_ref().is_none_or(|(kind, of)| kind != what || of != person) {
                return Err(ClinicError::NotFound { what: format!("{what} of this person"), id: id.clone() });
            }
        }
        let lore = self.lore();
        let m = lore.materia();
        for line in &mut rx.items {
            match &line.substance {
                Some(id) if m.substance_by_id(id).is_none() => return Err(CaseError::NoSuchId(id.clone()).into()),
                Some(_) => {}
                None => {
                    let known = m.resolve(&line.name).settled();
                    line.substance = known.map(|ix| m.substance(ix).id.clone());
                }
            }
        }
        if let Some(id) = &rx.formula
            && m.formula_by_id(id).is_none()
        {
            return Err(ClinicError::NotFound { what: "formula".into(), id: id.clone() });
        }
        Ok(())
    }

    /// Signs a prescription: it is checked for the person as of the day, and takes no change any more.
    ///
    /// # Errors
    /// If it is signed, was changed in between, or a finding of the upper two severities stands against it.
    pub fn sign(
        &mut self,
        who: &str,
        id: &str,
        version: u32,
        day: Date,
        laws: &[String],
    ) -> Result<Kept<Prescription>, ClinicError> {
        let draft = get::<Prescription>(self.db(), id)?;
        if draft.record.state() != "draft" {
            return Err(ClinicError::Signed { id: id.into(), state: draft.record.state().into() });
        }
        let person = get::<Person>(self.db(), &draft.person)?;
        let lore = self.lore();
        let (_, _, report) = check(lore, &draft.record, &person.record, day, laws)?;
        if report.stands() {
            return Err(ClinicError::stands(&report));
        }
        let body = body_of(&signed_part(&draft.record))?;
        let signature = Signature {
            by: who.into(),
            at: self.now(),
            hash: sha256(body.as_bytes()),
            findings: report.findings.iter().chain(&report.overridden).map(signed_finding).collect(),
            not_checked: report.looked.iter().filter(|l| !l.checked).map(|l| l.what.clone()).collect(),
        };
        let signed = Prescription { signed: Some(signature), ..draft.record };
        self.replace("signed", who, id, version, signed)
    }

    /// Withdraws a signed prescription: it is not dispensed any more.
    ///
    /// # Errors
    /// If it is not signed, or withdrawn already.
    pub fn withdraw(&mut self, who: &str, id: &str, why: &str) -> Result<Kept<Prescription>, ClinicError> {
        let there = get::<Prescription>(self.db(), id)?;
        if there.record.state() != "signed" {
            return Err(ClinicError::NotSigned { id: id.into(), state: there.record.state().into() });
        }
        if why.trim().is_empty() {
            return Err(ClinicError::Fault("say why it is withdrawn".into()));
        }
        let withdrawal = Withdrawal { by: who.into(), at: self.now(), why: why.into() };
        let body = Prescription { withdrawn: Some(withdrawal), ..there.record };
        self.replace("withdrew", who, id, there.version, body)
    }

    /// Keeps an attachment with its bytes.
    ///
    /// # Errors
    /// If it is empty, or there is no such person.
    pub fn attach(
        &mut self,
        who: &str,
        person: &str,
        about: Attachment,
        data: Vec<u8>,
    ) -> Result<Kept<Attachment>, ClinicError> {
        if data.is_empty() {
            return Err(ClinicError::Fault("an attachment has at least one byte".into()));
        }
        let about = Attachment { bytes: data.len() as u64, sha256: sha256(&data), ..about };
        let kept = self.create(who, Some(person), about)?;
        self.keep_bytes(&kept, data)?;
        Ok(kept)
    }

    pub(crate) fn keep_bytes(&mut self, of: &Kept<Attachment>, data: Vec<u8>) -> Result<(), ClinicError> {
        let params = [(&of.id).into(), (&of.person).into(), data.into()];
        self.db().execute("insert into bytes (id, person, data) values (?1, ?2, ?3)", &params)?;
        Ok(())
    }

    /// Puts a person into the care of an account; why is written into the chain.
    ///
    /// # Errors
    /// If the store fails.
    pub fn take_into_care(&mut self, who: &str, account: &str, person: &str, why: &str) -> Result<(), ClinicError> {
        self.barred(person)?;
        if why.trim().is_empty() {
            return Err(ClinicError::Fault("say why this person comes into your care".into()));
        }
        let now = self.now();
        self.db().execute(
            "insert into care (person, account, since) values (?1, ?2, ?3) on conflict do nothing",
            &[person.into(), account.into(), now.to_string().into()],
        )?;
        self.note(Deed::new(now, who, "took into care", format!("{account}: {why}")).of(person));
        Ok(())
    }
}

/// The day in the clinic's own time zone.
pub fn today() -> Date {
    jiff::ZonedDateTime::now().date()
}
