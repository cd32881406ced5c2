//! All routes.

use std::ops::ControlFlow;

use fangwright_clinic::accounts::{self, Account, Act, Credentials, NewFactor, Reach, Role, reach};
use fangwright_clinic::course::{Course, Words, course, svg};
use fangwright_clinic::erase::Erased;
use fangwright_clinic::fhir;
use fangwright_clinic::handing::{Making, planned};
use fangwright_clinic::model::{
    Answer, Appointment, Attachment, Body, Condition, Dispensing, Kept, Kind, Measure, Medicine, Person, Prescription,
    Reading, Sex, Shows, Visit, Weighing, Whole,
};
use fangwright_clinic::record::{by_state, bytes, carers, check, get, list, patient_of, people_after, versions, whole};
use fangwright_clinic::research::{PracticeCase, agreed, practice_case};
use fangwright_clinic::search::{Hit, Sight, Taker};
use fangwright_clinic::verify::Verdict;
use fangwright_dispense::{LotState, Movement, Plan, Product};
use fangwright_formula::{Difference, Mix, Part, compare_for};
use fangwright_safety::{Exact, Patient, Report};
use jiff::Timestamp;
use jiff::civil::Date;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use serde_json::Value;

use crate::paper::record_pdf;
use crate::problem::Problem;
use crate::route::{Call, Method, Reply, Route};

/// A change of a record: it is made on a version, and refused if there is a later one.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
struct Change<B> {
    /// The version it is made on.
    version: u32,
    /// What the record is to say.
    record: B,
}

/// Where a session begins.
#[derive(Debug, Serialize, JsonSchema)]
struct Begun {
    /// Send it as `Authorization: Bearer TOKEN`; it is kept nowhere but with you.
    token: String,
    /// Who you are.
    account: Account,
}

/// What an account may do.
#[derive(Debug, Serialize, JsonSchema)]
struct Me {
    /// Who you are.
    account: Account,
    /// What you may do, and how far.
    may: Vec<May>,
}

/// One act and how far it reaches.
#[derive(Debug, Serialize, JsonSchema)]
struct May {
    /// The act.
    act: Act,
    /// How far.
    reach: Reach,
}

/// A new password.
#[derive(Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
struct NewPassword {
    /// The one so far.
    #[schemars(length(max = 1000))]
    old: String,
    /// The new one.
    #[schemars(length(min = 10, max = 1000))]
    new: String,
}

/// A code of a second factor.
#[derive(Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
struct Code {
    /// The code.
    #[schemars(length(min = 6, max = 20))]
    code: String,
}

/// Why something is done.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
struct Why {
    /// The reason.
    #[schemars(length(min = 1, max = 2000))]
    why: String,
}

/// Who a person is and how to reach them.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
struct Contact {
    /// Names in any script; the first is the one used.
    #[schemars(length(min = 1), inner(length(min = 1)))]
    names: Vec<String>,
    /// Birth date.
    #[serde(default)]
    #[schemars(with = "Option<String>", extend("format" = "date"))]
    born: Option<Date>,
    /// Sex.
    #[serde(default)]
    sex: Option<Sex>,
    /// Number in the clinic's own file.
    #[serde(default)]
    number: String,
    /// Telephone.
    #[serde(default)]
    phone: String,
    /// Electronic mail.
    #[serde(default)]
    email: String,
    /// Address.
    #[serde(default)]
    address: String,
}

impl Contact {
    fn of(p: &Person) -> Contact {
        Contact {
            names: p.names.clone(),
            born: p.born,
            sex: p.sex,
            number: p.number.clone(),
            phone: p.phone.clone(),
            email: p.email.clone(),
            address: p.address.clone(),
        }
    }

    fn into(self, p: Person) -> Person {
        Person {
            names: self.names,
            born: self.born,
            sex: self.sex,
            number: self.number,
            phone: self.phone,
            email: self.email,
            address: self.address,
            ..p
        }
    }
}

fn contact(k: Kept<Person>) -> Kept<Contact> {
    Kept {
        record: Contact::of(&k.record),
        id: k.id,
        person: k.person,
        version: k.version,
        written: k.written,
        by: k.by,
    }
}

/// What of a person bears on what they may take.
#[derive(Debug, Serialize, JsonSchema)]
struct Bearing {
    /// Name.
    name: String,
    /// Birth date.
    #[schemars(with = "Option<String>", extend("format" = "date"))]
    born: Option<Date>,
    /// Sex.
    sex: Option<Sex>,
    /// Whether pregnant.
    pregnant: Option<Answer>,
    /// Whether breast-feeding.
    breast_feeding: Option<Answer>,
    /// Weights.
    weights: Vec<Weighing>,
    /// Allergies; absent where it was not asked.
    allergies: Option<Vec<String>>,
    /// Medicines; absent where it was not asked.
    medicines: Option<Vec<Medicine>>,
    /// Diseases and states; absent where it was not asked.
    conditions: Option<Vec<Condition>>,
    /// Diets; absent where it was not asked.
    diets: Option<Vec<String>>,
}

/// What is to be found.
#[derive(Debug, Serialize, JsonSchema)]
struct Found {
    /// The records, the newest first.
    hits: Vec<Hit>,
}

/// The difference between two prescriptions.
#[derive(Debug, Serialize, JsonSchema)]
struct Compared {
    /// The one before.
    before: Kept<Prescription>,
    /// The one after.
    after: Kept<Prescription>,
    /// What changed, and whether it fits.
    difference: Difference,
}

/// The difference between two visits.
#[derive(Debug, Serialize, JsonSchema)]
struct VisitsCompared {
    /// The one before.
    before: Kept<Visit>,
    /// The one after.
    after: Kept<Visit>,
    /// Findings that came.
    came: Vec<String>,
    /// Findings that went.
    went: Vec<String>,
    /// Findings that stayed.
    stayed: Vec<String>,
    /// The last prescription of each, compared; absent where one of them has none.
    prescriptions: Option<Difference>,
}

/// What was handed out, and how it was planned.
#[derive(Debug, Serialize, JsonSchema)]
struct HandedOut {
    /// The record.
    dispensing: Kept<Dispensing>,
    /// The plan.
    plan: Plan,
}

/// A safety check.
#[derive(Debug, Serialize, JsonSchema)]
struct Checked {
    /// Whether a finding of the upper two severities stands.
    stands: bool,
    /// What is known of the person on this day.
    patient: Patient,
    /// What was found, and what was not checked.
    report: Report,
}

/// The book of stock as it stands.
#[derive(Debug, Serialize, JsonSchema)]
struct Stocked {
    /// Entries of the book.
    entries: u64,
    /// Products.
    products: Vec<Product>,
    /// Lots.
    lots: Vec<LotState>,
}

/// Something that happens to stock.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
struct Moved {
    /// What.
    movement: Movement,
    /// The day where the clinic is; today where nothing is said.
    #[serde(default)]
    #[schemars(with = "Option<String>", extend("format" = "date"))]
    day: Option<Date>,
}

/// The number of an entry.
#[derive(Debug, Serialize, JsonSchema)]
struct Entered {
    /// Number of the entry in the book.
    number: u64,
}

/// One link of the chain, for reading.
#[derive(Debug, Serialize, JsonSchema)]
struct LinkShown {
    /// Number.
    number: u64,
    /// When.
    #[schemars(extend("format" = "date-time"))]
    at: String,
    /// Who.
    who: String,
    /// What they did.
    what: String,
    /// About what.
    about: String,
    /// Whose record.
    person: String,
}

/// A new value of a measure.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
struct NewReading {
    /// The day.
    #[schemars(with = "String", extend("format" = "date"))]
    on: Date,
    /// The value.
    value: Exact,
    /// The visit it was taken at.
    #[serde(default)]
    visit: Option<String>,
    /// Remark.
    #[serde(default)]
    note: String,
}

/// Where pictures of one kind stand side by side.
#[derive(Debug, Serialize, JsonSchema)]
struct SideBySide {
    /// The attachments, the earliest first; GET /attachments/{id} gives the bytes of each.
    pictures: Vec<Kept<Attachment>>,
}

/// Pictures and papers that are taken.
const MEDIA: &[&str] = &["image/jpeg", "image/png", "image/webp", "application/pdf"];

fn made<T: Serialize>(value: &T) -> Result<Reply, Problem> {
    Reply::json(201, value)
}

fn shown<T: Serialize>(value: &T) -> Result<Reply, Problem> {
    Reply::json(200, value)
}

/// The same where records of the materia medica stand in it: with their ids.
fn shown_with_ids<T: Serialize>(c: &Call<'_>, status: u16, value: &T) -> Result<Reply, Problem> {
    let mut value = serde_json::to_value(value).map_err(|e| Problem::new(500, "not-written", e.to_string()))?;
    c.store().lore().materia().spell_ids(&mut value);
    Reply::json(status, &value)
}

fn all_of<B: Body>(c: &Call<'_>) -> Result<Reply, Problem> {
    shown(&c.read(|db| list::<B>(db, &c.person))?)
}

fn one<B: Body>(c: &Call<'_>) -> Result<Reply, Problem> {
    shown(&c.read(|db| get::<B>(db, &c.part("id")))?)
}

fn history<B: Body>(c: &Call<'_>) -> Result<Reply, Problem> {
    shown(&c.read(|db| versions::<B>(db, &c.part("id")))?)
}

fn create<B: Body>(c: &Call<'_>, body: B) -> Result<Reply, Problem> {
    let (who, person) = (c.who(), c.person.clone());
    made(&c.write(move |tx| tx.create(&who, Some(&person), body))?)
}

fn change<B: Body>(c: &Call<'_>) -> Result<Reply, Problem> {
    let Change::<B> { version, record } = c.take()?;
    let (who, id) = (c.who(), c.part("id"));
    shown(&c.write(move |tx| tx.change(&who, &id, version, record))?)
}

fn mix_of(c: &Call<'_>, rx: &Prescription) -> Mix {
    let m = c.store().lore().materia();
    let mut parts: Vec<Part> = Vec::new();
    for line in &rx.items {
        let Some(substance) = line.substance.as_deref().and_then(|id| m.substance_by_id(id)) else { continue };
        let grams = line.grams.map(|g| g.0);
        match parts.iter_mut().find(|p| p.substance == substance) {
            Some(p) => p.grams = p.grams.zip(grams).and_then(|(a, b)| a.plus(b)),
            None => parts.push(Part { substance, grams, role: None }),
        }
    }
    Mix { formula: None, parts }
}

fn sight(c: &Call<'_>) -> Sight {
    let mut sight = Sight { account: c.who(), ..Sight::default() };
    let Some(role) = c.role() else { return sight };
    sight.no_drafts = role != Role::Practitioner;
    for (act, kinds) in [
        (Act::SeeContact, &[Kind::Person][..]),
        (Act::ReadCare, &[Kind::Person, Kind::Visit, Kind::Measure, Kind::Reading, Kind::Attachment]),
        (Act::ReadPrescription, &[Kind::Prescription, Kind::Dispensing]),
        (Act::SeeDays, &[Kind::Appointment]),
    ] {
        match reach(role, act) {
            Reach::All => sight.all.extend(kinds),
            Reach::Own => sight.own.extend(kinds),
            Reach::No => {}
        }
    }
    sight
}

fn outgoing(c: &Call<'_>) -> Result<Value, Problem> {
    let (record, names) = c.read(|db| Ok((whole(db, &c.person)?, accounts::full_names(db)?)))?;
    let store = c.store().clone();
    let blobs = move |id: &str| store.read(|db| bytes(db, id)).ok().map(|(_, data)| data);
    Ok(fhir::bundle(&fhir::Outgoing {
        m: c.store().lore().materia(),
        wholes: std::slice::from_ref(&record),
        names: &names,
        blobs: &blobs,
        at: Timestamp::now(),
    }))
}

fn printed(c: &Call<'_>) -> Result<Vec<u8>, Problem> {
    let (record, names) = c.read(|db| Ok((whole(db, &c.person)?, accounts::full_names(db)?)))?;
    let settings = &c.service.settings;
    let language = c.asked("language").or(settings.language.as_deref()).unwrap_or("en");
    let picture = |id: &str| c.read(|db| bytes(db, id)).ok().map(|(_, data)| data);
    let (press, m) = (c.service.press(), c.store().lore().materia());
    record_pdf(press, m, &record, &names, &settings.clinic.name, language, &picture)
        .map_err(|e| Problem::new(500, "not-printed", e.to_string()))
}

fn difference(c: &Call<'_>, before: &Prescription, after: &Prescription) -> Difference {
    let m = c.store().lore().materia();
    compare_for(m, &mix_of(c, before), &mix_of(c, after), &after.patterns)
}

fn belongs<B: Body>(c: &Call<'_>, id: &str) -> Result<Kept<B>, Problem> {
    let other = c.read(|db| get::<B>(db, id))?;
    if other.person != c.person {
        return Err(Problem::not_found(B::KIND.word(), id));
    }
    Ok(other)
}

/// The whole table.
pub fn table() -> Vec<Route> {
    use Act as A;
    use Method::{Delete, Get, Post, Put};
    let mut all = Vec::new();
    let mut add = |route: Route| all.push(route);

    // The way in, and one's own account.
    add(Route::new(Post, "/session", "log-in", "Log in.", A::Own, |c| {
        let given: Credentials = c.take()?;
        if [&given.account, &given.password].iter().any(|t| t.contains('\0')) {
            return Err(Problem::bad("account and password hold no NUL"));
        }
        let (token, account) = accounts::log_in(c.store(), &given, c.from)?;
        made(&Begun { token, account })
    })
    .open()
    .takes::<Credentials>()
    .gives::<Begun>(201));
    add(Route::new(Get, "/session", "who-am-i", "Who you are and what you may do.", A::Own, |c| {
        let account = c.account.cloned().ok_or_else(|| Problem::new(401, "log-in", "log in first"))?;
        let may = Act::ALL.into_iter().map(|act| May { act, reach: reach(account.role, act) });
        let may = may.filter(|m| m.reach != Reach::No).collect();
        shown(&Me { account, may })
    })
    .gives::<Me>(200));
    add(Route::new(Delete, "/session", "log-out", "Log out.", A::Own, |c| {
        accounts::log_out(c.store(), c.token, &c.who())?;
        Ok(Reply::nothing())
    }));
    add(Route::new(
        Put,
        "/session/password",
        "change-password",
        "Change your password; your other sessions end.",
        A::Own,
        |c| {
            let given: NewPassword = c.take()?;
            accounts::change_password(c.store(), &c.who(), &given.old, &given.new, c.token)
                // Who changes it is logged in: a wrong old one is no reason to ask for the way in.
                .map_err(|e| match Problem::from(e) {
                    p if p.status == 401 => Problem { status: 422, ..p },
                    p => p,
                })?;
            Ok(Reply::nothing())
        },
    )
    .takes::<NewPassword>());
    add(Route::new(
        Post,
        "/session/second-factor",
        "begin-second-factor",
        "Begin a second factor; it counts once a code of it was given.",
        A::Own,
        |c| {
            let issuer = &c.service.settings.clinic.name;
            let issuer = if issuer.is_empty() { "Fangwright" } else { issuer };
            made(&accounts::begin_factor(c.store(), &c.who(), issuer)?)
        },
    )
    .gives::<NewFactor>(201));
    add(Route::new(
        Put,
        "/session/second-factor",
        "confirm-second-factor",
        "Confirm a second factor with a code of it.",
        A::Own,
        |c| {
            let given: Code = c.take()?;
            accounts::confirm_factor(c.store(), &c.who(), &given.code).map_err(|e| match Problem::from(e) {
                p if p.status == 401 => Problem { status: 422, ..p },
                p => p,
            })?;
            Ok(Reply::nothing())
        },
    )
    .takes::<Code>());
    add(Route::new(
        Post,
        "/session/second-factor/removal",
        "remove-second-factor",
        "Take your second factor away, with a code of it.",
        A::Own,
        |c| {
            let given: Code = c.take()?;
            accounts::drop_factor(c.store(), &c.who(), &given.code).map_err(|e| match Problem::from(e) {
                p if p.status == 401 => Problem { status: 422, ..p },
                p => p,
            })?;
            Ok(Reply::nothing())
        },
    )
    .takes::<Code>());
    add(Route::new(Get, "/openapi.json", "openapi", "This description.", A::Own, |_| Ok(Reply::nothing()))
        .gives::<Value>(200));

    // People.
    add(Route::new(Post, "/people", "take-in", "Take a person in.", A::KeepContact, |c| {
        let given: Contact = c.take()?;
        let who = c.who();
        // A practitioner who takes somebody in cares for them.
        let cares = c.role() == Some(Role::Practitioner);
        let kept = c.write(move |tx| {
            let kept = tx.create(&who, None, given.into(Person::default()))?;
            if cares {
                tx.take_into_care(&who, &who, &kept.id, "took them in")?;
            }
            Ok(kept)
        })?;
        made(&contact(kept))
    })
    .takes::<Contact>()
    .gives::<Kept<Contact>>(201));
    add(Route::new(
        Get,
        "/people/{person}/contact",
        "see-contact",
        "Who a person is and how to reach them.",
        A::SeeContact,
        |c| shown(&contact(c.read(|db| get(db, &c.person))?)),
    )
    .reads()
    .gives::<Kept<Contact>>(200));
    add(Route::new(
        Put,
        "/people/{person}/contact",
        "keep-contact",
        "Change who a person is and how to reach them.",
        A::KeepContact,
        |c| {
            let Change::<Contact> { version, record } = c.take()?;
            let (who, id) = (c.who(), c.person.clone());
            let kept = c.write(move |tx| {
                let there = get::<Person>(tx.db(), &id)?;
                tx.change(&who, &id, version, record.into(there.record))
            })?;
            shown(&contact(kept))
        },
    )
    .takes::<Change<Contact>>()
    .gives::<Kept<Contact>>(200));
    add(Route::new(
        Post,
        "/people/{person}/care",
        "take-into-care",
        "Take a person into your care; the reason is written into the chain.",
        A::TakeIntoCare,
        |c| {
            let Why { why } = c.take()?;
            let (who, person) = (c.who(), c.person.clone());
            c.write(move |tx| tx.take_into_care(&who, &who, &person, &why))?;
            shown(&c.read(|db| Ok(carers(db, &c.person)?))?)
        },
    )
    .takes::<Why>()
    .gives::<Vec<String>>(200));
    add(Route::new(Get, "/people/{person}", "read-person", "All that is known of a person.", A::ReadCare, |c| {
        shown(&c.read(|db| get::<Person>(db, &c.person))?)
    })
    .reads()
    .gives::<Kept<Person>>(200));
    add(Route::new(Put, "/people/{person}", "change-person", "Write what is known of a person.", A::WriteCare, |c| {
        let Change::<Person> { version, record } = c.take()?;
        let (who, id) = (c.who(), c.person.clone());
        shown(&c.write(move |tx| tx.change(&who, &id, version, record))?)
    })
    .takes::<Change<Person>>()
    .gives::<Kept<Person>>(200));
    add(Route::new(
        Get,
        "/people/{person}/versions",
        "person-versions",
        "All versions of what was known of a person.",
        A::ReadCare,
        |c| shown(&c.read(|db| versions::<Person>(db, &c.person))?),
    )
    .reads()
    .gives::<Vec<Kept<Person>>>(200));
    add(Route::new(
        Get,
        "/people/{person}/bearing",
        "read-bearing",
        "What of a person bears on what they may take.",
        A::ReadPrescription,
        |c| {
            let p: Kept<Person> = c.read(|db| get(db, &c.person))?;
            let p = p.record;
            shown(&Bearing {
                name: p.name().to_string(),
                born: p.born,
                sex: p.sex,
                pregnant: p.pregnant,
                breast_feeding: p.breast_feeding,
                weights: p.weights,
                allergies: p.allergies,
                medicines: p.medicines,
                conditions: p.conditions,
                diets: p.diets,
            })
        },
    )
    .reads()
    .gives::<Bearing>(200));
    add(Route::new(Get, "/people/{person}/record", "read-record", "The whole record of a person.", A::Exchange, |c| {
        shown(&c.read(|db| whole(db, &c.person))?)
    })
    .reads()
    .gives::<Whole>(200));
    add(Route::new(
        Get,
        "/people/{person}/record.pdf",
        "print-record",
        "The whole record of a person, to print.",
        A::Exchange,
        |c| Ok(Reply::bytes("application/pdf", printed(c)?)),
    )
    .asks::<PageLanguage>("language", "en, zh or zh-hant", false)
    .reads()
    .gives_bytes(&["application/pdf"]));
    add(Route::new(
        Get,
        "/people/{person}/fhir",
        "export-fhir",
        "The whole record of a person as a bundle of HL7 FHIR R4.",
        A::Exchange,
        |c| {
            let body =
                serde_json::to_vec(&outgoing(c)?).map_err(|e| Problem::new(500, "not-written", e.to_string()))?;
            Ok(Reply::bytes("application/fhir+json", body))
        },
    )
    .reads()
    .gives_bytes(&["application/fhir+json"]));
    add(Route::new(Post, "/people/{person}/erasure", "erase", "Erase the record of a person on request, keeping what the law demands.", A::Erase, |c| {
        let Why { why } = c.take()?;
        let Some(law) = c.service.settings.law() else {
            let detail = "nobody has said yet for how many years the law keeps prescriptions: set `law_keeps_years` in the clinic's settings";
            return Err(Problem::new(409, "law-not-set", detail));
        };
        let (who, person) = (c.who(), c.person.clone());
        shown(&c.write(move |tx| tx.erase(&who, &person, law, fangwright_clinic::record::today(), &why))?)
    })
    .takes::<Why>()
    .gives::<Erased>(200));

    // Visits.
    add(Route::new(
        Get,
        "/people/{person}/visits",
        "list-visits",
        "The visits of a person, the earliest first.",
        A::ReadCare,
        all_of::<Visit>,
    )
    .reads()
    .gives::<Vec<Kept<Visit>>>(200));
    add(Route::new(Post, "/people/{person}/visits", "write-visit", "Write a visit down.", A::WriteCare, |c| {
        let mut visit: Visit = c.take()?;
        if visit.practitioner.is_empty() {
            visit.practitioner = c.who();
        }
        create(c, visit)
    })
    .takes::<Visit>()
    .gives::<Kept<Visit>>(201));
    add(Route::new(Get, "/visits/{id}", "read-visit", "A visit.", A::ReadCare, one::<Visit>)
        .of("visit")
        .reads()
        .gives::<Kept<Visit>>(200));
    add(Route::new(
        Put,
        "/visits/{id}",
        "change-visit",
        "Put a further version of a visit in its place.",
        A::WriteCare,
        change::<Visit>,
    )
    .of("visit")
    .takes::<Change<Visit>>()
    .gives::<Kept<Visit>>(200));
    add(Route::new(
        Get,
        "/visits/{id}/versions",
        "visit-versions",
        "All versions of a visit.",
        A::ReadCare,
        history::<Visit>,
    )
    .of("visit")
    .reads()
    .gives::<Vec<Kept<Visit>>>(200));
    add(Route::new(
        Get,
        "/visits/{id}/difference",
        "compare-visits",
        "What changed from another visit of the same person.",
        A::ReadCare,
        |c| {
            let after: Kept<Visit> = c.read(|db| get(db, &c.part("id")))?;
            let before: Kept<Visit> = belongs(c, c.asked("from").unwrap_or_default())?;
            let rxs: Vec<Kept<Prescription>> = c.read(|db| list(db, &c.person))?;
            let last = |visit: &str| rxs.iter().rev().find(|r| r.record.visit.as_deref() == Some(visit));
            let prescriptions = match (last(&before.id), last(&after.id)) {
                (Some(a), Some(b)) => Some(difference(c, &a.record, &b.record)),
                _ => None,
            };
            let (a, b) = (&before.record.findings, &after.record.findings);
            let only = |x: &[String], y: &[String]| x.iter().filter(|f| !y.contains(f)).cloned().collect::<Vec<_>>();
            let (came, went) = (only(b, a), only(a, b));
            let stayed = b.iter().filter(|f| a.contains(f)).cloned().collect();
            shown_with_ids(c, 200, &VisitsCompared { came, went, stayed, prescriptions, before, after })
        },
    )
    .of("visit")
    .asks::<RecordId>("from", "id of the other visit", true)
    .reads()
    .gives::<VisitsCompared>(200));

    // Prescriptions.
    add(Route::new(
        Get,
        "/people/{person}/prescriptions",
        "list-prescriptions",
        "The prescriptions of a person, the earliest first; a dispenser sees those that are signed.",
        A::ReadPrescription,
        |c| {
            let mut all: Vec<Kept<Prescription>> = c.read(|db| list(db, &c.person))?;
            if c.role() == Some(Role::Dispenser) {
                all.retain(|rx| rx.record.signed.is_some());
            }
            shown(&all)
        },
    )
    .reads()
    .gives::<Vec<Kept<Prescription>>>(200));
    add(Route::new(
        Post,
        "/people/{person}/prescriptions",
        "write-prescription",
        "Write a prescription; it is a draft until it is signed. A changed one names its parent.",
        A::Prescribe,
        |c| {
            let rx: Prescription = c.take()?;
            let (who, person) = (c.who(), c.person.clone());
            made(&c.write(move |tx| tx.write_prescription(&who, &person, rx))?)
        },
    )
    .takes::<Prescription>()
    .gives::<Kept<Prescription>>(201));
    add(Route::new(Get, "/prescriptions/{id}", "read-prescription", "A prescription.", A::ReadPrescription, |c| {
        let rx: Kept<Prescription> = c.read(|db| get(db, &c.part("id")))?;
        if c.role() == Some(Role::Dispenser) && rx.record.signed.is_none() {
            return Err(Problem::new(403, "not-signed", "a draft is not for a dispenser"));
        }
        shown(&rx)
    })
    .of("prescription")
    .reads()
    .gives::<Kept<Prescription>>(200));
    add(Route::new(
        Put,
        "/prescriptions/{id}",
        "change-prescription",
        "Change a draft; what is signed takes no change.",
        A::Prescribe,
        |c| {
            let Change::<Prescription> { version, record } = c.take()?;
            let (who, id) = (c.who(), c.part("id"));
            shown(&c.write(move |tx| tx.change_prescription(&who, &id, version, record))?)
        },
    )
    .of("prescription")
    .takes::<Change<Prescription>>()
    .gives::<Kept<Prescription>>(200));
    add(Route::new(
        Get,
        "/prescriptions/{id}/versions",
        "prescription-versions",
        "All versions of a prescription: the draft, the signed one, the withdrawn one.",
        A::Prescribe,
        history::<Prescription>,
    )
    .of("prescription")
    .reads()
    .gives::<Vec<Kept<Prescription>>>(200));
    add(Route::new(
        Get,
        "/prescriptions/{id}/check",
        "check-prescription",
        "Check a prescription for this person as of a day.",
        A::ReadPrescription,
        |c| {
            let day = c.day("on")?;
            let (rx, person): (Kept<Prescription>, Kept<Person>) =
                c.read(|db| Ok((get(db, &c.part("id"))?, get(db, &c.person)?)))?;
            if c.role() == Some(Role::Dispenser) && rx.record.signed.is_none() {
                return Err(Problem::new(403, "not-signed", "a draft is not for a dispenser"));
            }
            let laws = &c.service.settings.laws;
            let (_, _, report) = check(c.store().lore(), &rx.record, &person.record, day, laws)?;
            let patient = patient_of(&person.record, day, &rx.record.patterns, laws);
            shown_with_ids(c, 200, &Checked { stands: report.stands(), patient, report })
        },
    )
    .of("prescription")
    .asks::<Day>("on", "the day; today where nothing is said", false)
    .reads()
    .gives::<Checked>(200));
    add(Route::new(
        Post,
        "/prescriptions/{id}/signature",
        "sign-prescription",
        "Sign a draft. It is checked first, and is not signed while a finding of the upper two severities stands.",
        A::Prescribe,
        |c| {
            let Version { version } = c.take()?;
            let (who, id, laws) = (c.who(), c.part("id"), c.service.settings.laws.clone());
            shown(&c.write(move |tx| tx.sign(&who, &id, version, fangwright_clinic::record::today(), &laws))?)
        },
    )
    .of("prescription")
    .takes::<Version>()
    .gives::<Kept<Prescription>>(200));
    add(Route::new(
        Post,
        "/prescriptions/{id}/withdrawal",
        "withdraw-prescription",
        "Withdraw a signed prescription: it is not handed out any more.",
        A::Prescribe,
        |c| {
            let Why { why } = c.take()?;
            let (who, id) = (c.who(), c.part("id"));
            shown(&c.write(move |tx| tx.withdraw(&who, &id, &why))?)
        },
    )
    .of("prescription")
    .takes::<Why>()
    .gives::<Kept<Prescription>>(200));
    add(Route::new(
        Get,
        "/prescriptions/{id}/difference",
        "compare-prescriptions",
        "What changed from another prescription of the same person, and whether each change fits.",
        A::Prescribe,
        |c| {
            let after: Kept<Prescription> = c.read(|db| get(db, &c.part("id")))?;
            let before: Kept<Prescription> = belongs(c, c.asked("from").unwrap_or_default())?;
            let difference = difference(c, &before.record, &after.record);
            shown_with_ids(c, 200, &Compared { before, after, difference })
        },
    )
    .of("prescription")
    .asks::<RecordId>("from", "id of the other prescription", true)
    .reads()
    .gives::<Compared>(200));

    // Handing out.
    add(Route::new(
        Post,
        "/prescriptions/{id}/plan",
        "plan-dispensing",
        "Plan how a signed prescription is made up from the stock there is; nothing is taken.",
        A::Dispense,
        |c| {
            let making: Making = c.take()?;
            let (rx, person): (Kept<Prescription>, Kept<Person>) =
                c.read(|db| Ok((get(db, &c.part("id"))?, get(db, &c.person)?)))?;
            let laws = c.service.settings.laws.clone();
            let lore = c.store().lore();
            let plan = c.write(move |tx| {
                let stock = tx.stock()?;
                let stock = (stock.entries() > 0).then_some(stock);
                planned(lore, &rx, &person.record, &making, fangwright_clinic::record::today(), &laws, stock)
            })?;
            shown_with_ids(c, 200, &plan)
        },
    )
    .of("prescription")
    .takes::<Making>()
    .reads()
    .gives::<Plan>(200));
    add(Route::new(
        Post,
        "/prescriptions/{id}/dispensings",
        "hand-out",
        "Hand out a signed prescription: the lots leave stock and the record is kept, all or nothing.",
        A::Dispense,
        |c| {
            let mut making: Making = c.take()?;
            making.pricing.clone_from(&c.service.settings.pricing);
            if making
                .number
                .as_ref()
                .is_some_and(|n| n.is_empty() || !n.chars().all(|ch| ch.is_ascii_alphanumeric() || "-_.".contains(ch)))
            {
                return Err(Problem::new(
                    422,
                    "not-sensible",
                    "a number on a label has letters, digits, `-`, `_` and `.`",
                ));
            }
            let (who, id, laws) = (c.who(), c.part("id"), c.service.settings.laws.clone());
            let (dispensing, plan) =
                c.write(move |tx| tx.hand_out(&who, &id, &making, fangwright_clinic::record::today(), &laws))?;
            shown_with_ids(c, 201, &HandedOut { dispensing, plan })
        },
    )
    .of("prescription")
    .takes::<Making>()
    .gives::<HandedOut>(201));
    add(Route::new(
        Get,
        "/people/{person}/dispensings",
        "list-dispensings",
        "What was handed out to a person.",
        A::ReadPrescription,
        all_of::<Dispensing>,
    )
    .reads()
    .gives::<Vec<Kept<Dispensing>>>(200));
    add(Route::new(
        Get,
        "/dispensings/{id}",
        "read-dispensing",
        "What was handed out.",
        A::ReadPrescription,
        one::<Dispensing>,
    )
    .of("dispensing")
    .reads()
    .gives::<Kept<Dispensing>>(200));

    // How it goes.
    add(Route::new(
        Get,
        "/people/{person}/measures",
        "list-measures",
        "What is measured again and again.",
        A::ReadCare,
        all_of::<Measure>,
    )
    .reads()
    .gives::<Vec<Kept<Measure>>>(200));
    add(Route::new(
        Post,
        "/people/{person}/measures",
        "add-measure",
        "Measure something again and again: a chief complaint from 0 to 10, or anything else.",
        A::WriteCare,
        |c| {
            let measure: Measure = c.take()?;
            create(c, measure)
        },
    )
    .takes::<Measure>()
    .gives::<Kept<Measure>>(201));
    add(Route::new(
        Post,
        "/measures/{id}/readings",
        "add-reading",
        "Write a value of a measure down.",
        A::WriteCare,
        |c| {
            let given: NewReading = c.take()?;
            let measure: Kept<Measure> = c.read(|db| get(db, &c.part("id")))?;
            let (least, most) = (measure.record.least.0, measure.record.most.map(|m| m.0));
            if given.value.0 < least || most.is_some_and(|m| given.value.0 > m) {
                let upto = most.map_or(String::new(), |m| format!(" to {}", m.decimal(3)));
                let detail = format!(
                    "`{}` goes from {}{upto}; {} is outside",
                    measure.record.name,
                    least.decimal(3),
                    given.value.0.decimal(3)
                );
                return Err(Problem::new(422, "not-sensible", detail));
            }
            if let Some(visit) = &given.visit {
                belongs::<Visit>(c, visit)?;
            }
            create(
                c,
                Reading { measure: measure.id, on: given.on, value: given.value, visit: given.visit, note: given.note },
            )
        },
    )
    .of("measure")
    .takes::<NewReading>()
    .gives::<Kept<Reading>>(201));
    add(Route::new(
        Get,
        "/people/{person}/course",
        "read-course",
        "How a person's measures go, with visits and prescriptions beside them.",
        A::ReadCare,
        |c| shown(&course(&c.read(|db| whole(db, &c.person))?)),
    )
    .reads()
    .gives::<Course>(200));
    add(Route::new(Get, "/people/{person}/course.svg", "draw-course", "The same as a picture.", A::ReadCare, |c| {
        let picture = svg(&course(&c.read(|db| whole(db, &c.person))?), &Words::default());
        Ok(Reply::bytes("image/svg+xml", picture.into_bytes()))
    })
    .reads()
    .gives_bytes(&["image/svg+xml"]));

    // Days.
    add(Route::new(
        Get,
        "/people/{person}/appointments",
        "list-appointments",
        "The days that are agreed with a person.",
        A::SeeDays,
        all_of::<Appointment>,
    )
    .reads()
    .gives::<Vec<Kept<Appointment>>>(200));
    add(Route::new(
        Post,
        "/people/{person}/appointments",
        "agree-day",
        "Agree a day to come or to call.",
        A::KeepDays,
        |c| {
            let given: Appointment = c.take()?;
            create(c, given)
        },
    )
    .takes::<Appointment>()
    .gives::<Kept<Appointment>>(201));
    add(Route::new(
        Put,
        "/appointments/{id}",
        "change-day",
        "Change a day, or say how it went.",
        A::KeepDays,
        change::<Appointment>,
    )
    .of("appointment")
    .takes::<Change<Appointment>>()
    .gives::<Kept<Appointment>>(200));
    add(Route::new(
        Get,
        "/due",
        "who-is-due",
        "Who is to come or to be called up to a day, the earliest first.",
        A::SeeDays,
        |c| {
            let day = c.day("by")?;
            let mut all: Vec<Kept<Appointment>> = c.read(|db| by_state(db, "planned", day, 1000))?;
            if c.role().is_some_and(|r| reach(r, Act::SeeDays) == Reach::Own) {
                let who = c.who();
                let mut own = Vec::new();
                for a in all {
                    if c.read(|db| Ok(fangwright_clinic::record::cares(db, &who, &a.person)?))? {
                        own.push(a);
                    }
                }
                all = own;
            }
            c.shows(all.iter().map(|a| &a.person));
            shown(&all)
        },
    )
    .asks::<Day>("by", "the day; today where nothing is said", false)
    .reads()
    .gives::<Vec<Kept<Appointment>>>(200));

    // Pictures and papers.
    add(Route::new(
        Get,
        "/people/{person}/attachments",
        "list-attachments",
        "Pictures and papers of a person, those of one kind side by side over time.",
        A::ReadCare,
        |c| {
            let mut all: Vec<Kept<Attachment>> = c.read(|db| list(db, &c.person))?;
            if let Some(word) = c.asked("shows") {
                let shows: Shows = serde_json::from_value(Value::String(word.into()))
                    .map_err(|_| Problem::bad(format!("`shows` is `{word}`; write tongue, body, document or other")))?;
                all.retain(|a| a.record.shows == shows);
            }
            shown(&SideBySide { pictures: all })
        },
    )
    .asks::<Shows>("shows", "what they show", false)
    .reads()
    .gives::<SideBySide>(200));
    add(Route::new(Post, "/people/{person}/attachments", "attach", "Keep a picture or paper.", A::WriteCare, |c| {
        let on = c.day("on")?;
        let word = c.asked("shows").unwrap_or("other");
        let shows: Shows = serde_json::from_value(Value::String(word.into()))
            .map_err(|_| Problem::bad(format!("`shows` is `{word}`; write tongue, body, document or other")))?;
        let visit = c.asked("visit").map(str::to_string);
        if let Some(visit) = &visit {
            belongs::<Visit>(c, visit)?;
        }
        if !looks_like(c.media, &c.body) {
            return Err(Problem::new(415, "media-type", format!("these bytes are no {}", c.media)));
        }
        let title = c.asked("title").unwrap_or_default().to_string();
        let about = Attachment { on, shows, media: c.media.into(), title, visit, bytes: 0, sha256: String::new() };
        let (who, person, data) = (c.who(), c.person.clone(), c.body.to_vec());
        made(&c.write(move |tx| tx.attach(&who, &person, about, data))?)
    })
    .asks::<Day>("on", "the day it was taken; today where nothing is said", false)
    .asks::<Shows>("shows", "what it shows", false)
    .asks::<String>("title", "what it is called", false)
    .asks::<RecordId>("visit", "id of the visit it belongs to", false)
    .takes_bytes(MEDIA)
    .gives::<Kept<Attachment>>(201));
    add(Route::new(
        Get,
        "/attachments/{id}",
        "read-attachment",
        "The bytes of a picture or paper.",
        A::ReadCare,
        |c| {
            let (about, data) = c.read(|db| bytes(db, &c.part("id")))?;
            Ok(Reply::bytes(about.record.media, data))
        },
    )
    .of("attachment")
    .reads()
    .gives_bytes(MEDIA));

    // Over all records.
    add(Route::new(
        Get,
        "/search",
        "search",
        "Find records by words: names in any script, findings, substances, formulas, days, numbers.",
        A::Search,
        |c| {
            let kind = match c.asked("kind") {
                None => None,
                Some(word) => {
                    Some(Kind::from_word(word).ok_or_else(|| Problem::bad(format!("`{word}` is no kind of record")))?)
                }
            };
            let hits = c.store().search(c.asked("q").unwrap_or_default(), &sight(c), kind)?;
            c.shows(hits.iter().map(|h| &h.person));
            shown(&Found { hits })
        },
    )
    .asks::<String>("q", "what is looked for", true)
    .asks::<Kind>("kind", "only records of this kind", false)
    .reads()
    .gives::<Found>(200));
    add(Route::new(Get, "/lots/takers", "who-had", "Who had a lot, the latest first.", A::Recall, |c| {
        let day = c.day("on")?;
        let (product, lot) = (c.asked("product").unwrap_or_default(), c.asked("lot").unwrap_or_default());
        let takers = c.store().who_had(product, lot, day)?;
        c.shows(takers.iter().map(|t| &t.person));
        shown(&takers)
    })
    .asks::<String>("product", "product of the book of stock", true)
    .asks::<String>("lot", "number of the lot", true)
    .asks::<Day>("on", "the day it may still be in use; today where nothing is said", false)
    .reads()
    .gives::<Vec<Taker>>(200));
    add(Route::new(
        Get,
        "/substances/takers",
        "who-takes",
        "Who has a signed prescription with a substance, in any processed form.",
        A::Recall,
        |c| {
            let day = c.day("on")?;
            let takers = c.store().who_takes(c.asked("substance").unwrap_or_default(), day)?;
            c.shows(takers.iter().map(|t| &t.person));
            shown(&takers)
        },
    )
    .asks::<String>("substance", "a substance, by id or any of its names", true)
    .asks::<Day>("on", "the day it may still be in use; today where nothing is said", false)
    .reads()
    .gives::<Vec<Taker>>(200));

    // Stock.
    add(Route::new(Get, "/stock", "read-stock", "Products and lots as they stand.", A::ReadStock, |c| {
        let stocked = c.write(|tx| {
            let stock = tx.stock()?;
            Ok(Stocked {
                entries: stock.entries(),
                products: stock.products().cloned().collect(),
                lots: stock.lots().cloned().collect(),
            })
        })?;
        shown(&stocked)
    })
    .gives::<Stocked>(200));
    add(Route::new(
        Post,
        "/stock/movements",
        "move-stock",
        "Write into the book of stock: a product, a delivery, a count, a discard, a recall.",
        A::KeepStock,
        |c| {
            let Moved { movement, day } = c.take()?;
            if matches!(movement, Movement::Use { .. }) {
                return Err(Problem::new(
                    422,
                    "not-sensible",
                    "what leaves stock for a person is handed out: POST /prescriptions/{id}/dispensings",
                ));
            }
            let (who, day) = (c.who(), day.unwrap_or_else(fangwright_clinic::record::today));
            let number = c.write(move |tx| tx.move_stock(day, &who, movement))?;
            made(&Entered { number })
        },
    )
    .takes::<Moved>()
    .gives::<Entered>(201));

    // Cases without names.
    add(Route::new(
        Get,
        "/cases",
        "practise",
        "Cases without names, of people who agreed to teaching.",
        A::Practise,
        |c| {
            let most = match c.asked("most") {
                None => 20,
                Some(text) => text
                    .parse::<u32>()
                    .ok()
                    .filter(|n| (1..=200).contains(n))
                    .ok_or_else(|| Problem::bad("`most` is a number from 1 to 200"))?,
            };
            let after = match c.asked("after") {
                None => 0,
                Some(text) => text
                    .parse::<i64>()
                    .ok()
                    .filter(|n| *n >= 0)
                    .ok_or_else(|| Problem::bad("`after` is a number that an answer gave as `next`"))?,
            };
            let vocabulary = c.service.vocabulary();
            let key = c.service.practice_key();
            let mut cases = Vec::new();
            let mut at = after;
            c.read(|db| {
                while cases.len() < most as usize {
                    let people = people_after(db, at, 50)?;
                    if people.is_empty() {
                        return Ok(());
                    }
                    for (n, id) in people {
                        at = n;
                        // Most of a record is read only where it was agreed to.
                        let said_yes = agreed(&get::<Person>(db, &id)?.record.consents, "teaching");
                        if said_yes && let Some(case) = practice_case(vocabulary, &whole(db, &id)?, key) {
                            cases.push(case);
                            c.shows([&id]);
                            if cases.len() >= most as usize {
                                break;
                            }
                        }
                    }
                }
                Ok(())
            })?;
            shown(&Cases { cases, next: at })
        },
    )
    .asks::<u32>("most", "how many; 20 where nothing is said", false)
    .asks::<u32>("after", "go on behind here", false)
    .reads()
    .gives::<Cases>(200));

    // The chain.
    add(Route::new(Get, "/audit", "read-chain", "Links of the chain of what was read and written.", A::Audit, |c| {
        let after = match c.asked("after") {
            None => 0,
            Some(text) => text.parse::<u32>().map_err(|_| Problem::bad("`after` is the number of a link"))?,
        };
        let person = c.asked("person").unwrap_or_default().to_string();
        if c.asked("person").is_some() && !is_id(&person) {
            return Err(Problem::bad("`person` is the id of a person"));
        }
        let sql = "select number, at, who, what, about, person from audit where number > ?1 and (person = ?2 or ?2 = '') order by number limit 500";
        let rows = c.read(|db| Ok(db.query(sql, &[after.into(), person.into()])?))?;
        let links: Vec<LinkShown> = rows
            .into_iter()
            .map(|mut r| LinkShown {
                number: r.int(0) as u64,
                at: r.text(1),
                who: r.text(2),
                what: r.text(3),
                about: r.text(4),
                person: r.text(5),
            })
            .collect();
        shown(&links)
    })
    .asks::<u32>("after", "links behind this number", false)
    .asks::<RecordId>("person", "only about this person", false)
    .reads()
    .gives::<Vec<LinkShown>>(200));
    add(Route::new(
        Get,
        "/audit/verification",
        "verify",
        "Verify the chain, and each record against it.",
        A::Audit,
        |c| {
            let mut on = |_: &str, _: u64| ControlFlow::Continue(());
            shown(&c.store().verify(None, &mut on)?)
        },
    )
    .reads()
    .gives::<Verdict>(200));
    all
}

/// The version something is done on.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
struct Version {
    /// The version.
    version: u32,
}

/// Cases without names.
#[derive(Debug, Serialize, JsonSchema)]
struct Cases {
    /// The cases.
    cases: Vec<PracticeCase>,
    /// Where the next ones begin: give it as `after`.
    next: i64,
}

/// A day, as 2026-11-25.
struct Day;

impl JsonSchema for Day {
    fn schema_name() -> std::borrow::Cow<'static, str> {
        "Day".into()
    }

    fn json_schema(_: &mut schemars::SchemaGenerator) -> schemars::Schema {
        schemars::json_schema!({ "type": "string", "format": "date" })
    }
}

/// The id of a record.
struct RecordId;

impl JsonSchema for RecordId {
    fn schema_name() -> std::borrow::Cow<'static, str> {
        "RecordId".into()
    }

    fn json_schema(_: &mut schemars::SchemaGenerator) -> schemars::Schema {
        schemars::json_schema!({ "type": "string", "format": "uuid" })
    }
}

/// The language of printed pages.
struct PageLanguage;

impl JsonSchema for PageLanguage {
    fn schema_name() -> std::borrow::Cow<'static, str> {
        "PageLanguage".into()
    }

    fn json_schema(_: &mut schemars::SchemaGenerator) -> schemars::Schema {
        schemars::json_schema!({ "type": "string", "enum": ["en", "zh", "zh-hant"] })
    }
}

/// Whether a text has the form of an id (RFC 9562).
fn is_id(text: &str) -> bool {
    let dash = |i: usize| matches!(i, 8 | 13 | 18 | 23);
    text.len() == 36 && text.bytes().enumerate().all(|(i, b)| if dash(i) { b == b'-' } else { b.is_ascii_hexdigit() })
}

/// Whether bytes begin as their media type says.
fn looks_like(media: &str, bytes: &[u8]) -> bool {
    match media {
        "image/jpeg" => bytes.starts_with(&[0xff, 0xd8, 0xff]),
        "image/png" => bytes.starts_with(b"\x89PNG\r\n\x1a\n"),
        "image/webp" => bytes.starts_with(b"RIFF") && bytes.get(8..12) == Some(b"WEBP"),
        "application/pdf" => bytes.starts_with(b"%PDF-"),
        _ => false,
    }
}
