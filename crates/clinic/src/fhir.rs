//! Records to and from HL7 FHIR R4 (4.0.1): whole persons as one Bundle of type `collection`, and back.
//!
//! What FHIR has an element for stands in that element, for other systems to read, and is read back from there. What it has no place
//! for stands in an extension of the list in [`extension`]. Codes of ours go by the systems in [`system`].
//!
//! Numbers: a FHIR decimal holds no third. Each number is written as a decimal of at most 15 digits; where that is not the number
//! itself, the fraction stands beside it in the extension [`extension::EXACT`]. Where somebody changed the decimal afterwards, so that
//! the two disagree, the decimal is taken and the fraction is reported as left out.
//!
//! Reading marks every element it understands. Whatever is not marked in the end comes back in [`Incoming::left`], so that nothing of
//! a bundle is lost without a word.
//!
//! | ours | FHIR |
//! |---|---|
//! | person | Patient, and of it: Observation (weights, height, pregnancy, breast-feeding), AllergyIntolerance, MedicationStatement, Condition (problem-list-item), Consent |
//! | visit | Encounter, and of it: Observation (findings there and not there, tongue, pulse), Condition (encounter-diagnosis) |
//! | prescription | MedicationRequest with a contained Medication; its signature and withdrawal are Provenance |
//! | dispensing | MedicationDispense with contained Medications, one for each line with its lot |
//! | measure | Basic, as R4 has no resource for what is measured of one person |
//! | reading | Observation |
//! | appointment | Appointment |
//! | attachment | DocumentReference for papers, Media for all else |
//! | version of a record | Provenance |
//! | account | Practitioner |

use std::cell::RefCell;
use std::collections::{BTreeMap, BTreeSet};

use base64::Engine;
use base64::engine::general_purpose::STANDARD;
use fangwright_amount::Rational;
use fangwright_materia::records::{Form, Pot};
use fangwright_materia::{Materia, is_hanzi};
use fangwright_safety::{Exact, Override};
use jiff::Timestamp;
use jiff::civil::{Date, DateTime, Time};
use rustc_hash::{FxHashMap, FxHashSet};
use serde::Serialize;
use serde_json::{Map, Value, json};
use sha2::{Digest, Sha256};

use crate::model::{
    Answer, Appointment, Attachment, Better, Body, Condition, Consent, DispensedLine, Dispensing, FullNames, Kept,
    Measure, Medicine, Operation, Person, Prescription, Purpose, Reading, RxLine, Sex, Shows, Signature, SignedFinding,
    Standing, Visit, Weighing, Whole, Withdrawal,
};

/// URLs of the extensions, for what FHIR R4 has no element for.
pub mod extension {
    macro_rules! extensions {
        ($($id:ident = $name:literal: $what:literal),* $(,)?) => {
            $(#[doc = $what] pub const $id: &str = concat!("urn:fangwright:record:", $name);)*
            /// Every URL with what it says.
            pub const ALL: &[(&str, &str)] = &[$(($id, $what)),*];
        };
    }
    extensions! {
        EXACT = "exact": "On a decimal that is not exact: the fraction, as `1/3`.",
        EMPTY = "empty": "On a text or code that is there and empty, which FHIR does not allow: true.",
        ID = "id": "On a resource or reference: the id of the record, where it is no UUID.",
        VERSION = "version": "On the Provenance of a record: the number of its version, from 1.",
        NOTE = "note": "On Patient and Consent: the remark.",
        DIET = "diet": "On Patient: a diet or belief; once for each.",
        NO_DIETS = "no-diets": "On Patient: true where it was asked and there are none.",
        NO_OPERATION = "operation-none": "On Patient, inside `operation`: true where none is planned.",
        OPERATION = "operation": "On Patient: a planned operation; holds `asked` and `on`, or `asked` and `operation-none`.",
        ASKED = "asked": "Inside `operation`: the day it was asked.",
        ON = "on": "Inside `operation` and on the start of an Appointment: the day.",
        ATHLETE = "athlete": "On Patient: whether under anti-doping rules.",
        G6PD = "g6pd-deficient": "On Patient: whether G6PD is known to be deficient.",
        NOTES = "notes": "On Encounter: the story and what was found, as written.",
        REASONING = "reasoning": "On Encounter: why these patterns and this plan.",
        PLAN = "plan": "On Encounter: what is to be done.",
        FLAG = "flag": "On Encounter: a red flag and what was done about it; once for each.",
        AS_WRITTEN = "as-written": "On the concept of an ingredient: its name as the practitioner wrote it.",
        POT = "pot": "On an ingredient: what is written on handling; once for each.",
        GRANULE_RATIO = "granule-ratio": "On a Medication of granules: grams of raw drug in one gram.",
        OVERRIDE = "override": "On MedicationRequest: what the practitioner set aside; holds the five that follow.",
        FINDING = "finding": "Inside `override`: the key of the finding.",
        REASON = "reason": "Inside `override`: why.",
        BY = "by": "Inside `override`: who.",
        AT = "at": "Inside `override`: when; on the start of an Appointment: the time of the day at the clinic.",
        CONFIRMED = "confirmed": "Inside `override`: whether it was confirmed a second time.",
        WHY_CHANGED = "why-changed": "On MedicationRequest: why it was changed from the one before.",
        SIGNATURE_HASH = "signature-hash": "On the Provenance of a signature: SHA-256 of what was signed.",
        SIGNED_FINDING = "signed-finding": "On the same: what the safety check said; holds the five that follow.",
        KEY = "key": "Inside `signed-finding`: its key.",
        RULE = "rule": "Inside `signed-finding`: its rule.",
        SEVERITY = "severity": "Inside `signed-finding`: the word of its severity.",
        TITLE = "title": "Inside `signed-finding`: its title.",
        SET_ASIDE = "set-aside": "Inside `signed-finding`: the reason, where it was set aside.",
        NOT_CHECKED = "not-checked": "On the Provenance of a signature: what could not be checked; once for each.",
        PRICE = "price": "On MedicationDispense: the price, as printed.",
        LEAST = "least": "On Basic (measure): the least value.",
        MOST = "most": "On Basic (measure): the greatest value; absent where there is none.",
        UNIT = "unit": "On Basic (measure): the unit.",
        BETTER = "better": "On Basic (measure): `less` or `more`.",
        SHA256 = "sha256": "On an attachment: SHA-256 of its bytes, in hexadecimal; the hash of FHIR R4 is SHA-1.",
        BYTES = "bytes": "On an attachment of more than 2147483647 bytes: how many.",
    }
}

/// Systems of our codes and identifiers.
pub mod system {
    /// Ids of findings.
    pub const FINDING: &str = "urn:fangwright:finding";
    /// Ids of patterns.
    pub const PATTERN: &str = "urn:fangwright:pattern";
    /// Ids of substances.
    pub const SUBSTANCE: &str = "urn:fangwright:substance";
    /// Ids of formulas.
    pub const FORMULA: &str = "urn:fangwright:formula";
    /// Words of forms.
    pub const FORM: &str = "urn:fangwright:form";
    /// What is observed without a code elsewhere: `tongue`, `pulse`, `breast-feeding`.
    pub const OBSERVED: &str = "urn:fangwright:observed";
    /// Ids of measures.
    pub const MEASURE: &str = "urn:fangwright:measure";
    /// Kinds of record that R4 has no resource for: `measure`.
    pub const RECORD: &str = "urn:fangwright:record";
    /// What a Provenance tells of: `version`, `signature`, `withdrawal`.
    pub const ACTIVITY: &str = "urn:fangwright:activity";
    /// What a picture shows: `tongue`, `body`.
    pub const SHOWS: &str = "urn:fangwright:shows";
    /// What an appointment is for: `visit`, `call`.
    pub const PURPOSE: &str = "urn:fangwright:purpose";
    /// Accounts, as identifiers of practitioners.
    pub const ACCOUNT: &str = "urn:fangwright:account";
    /// Numbers in the clinic's own file, as identifiers of patients.
    pub const NUMBER: &str = "urn:fangwright:number";
    /// Numbers on labels, as identifiers of dispensings.
    pub const LABEL: &str = "urn:fangwright:label";
    /// Products of the book of stock, as identifiers of medications.
    pub const PRODUCT: &str = "urn:fangwright:product";
}

use extension as ext;

/// `meta.source` of our bundles: in these, lists keep their order and names are taken as settled or not as they stand.
const OURS: &str = "urn:fangwright:record";
const LOINC: &str = "http://loinc.org";
const SNOMED: &str = "http://snomed.info/sct";
const UCUM: &str = "http://unitsofmeasure.org";
const ABSENT: &str = "http://hl7.org/fhir/uv/ips/CodeSystem/absent-unknown-uv-ips";
const TERMS: &str = "http://terminology.hl7.org/CodeSystem/";
const DATA_ABSENT: &str = "http://hl7.org/fhir/StructureDefinition/data-absent-reason";
const CONSENT_POLICY: &str = "As agreed between the person and the clinic.";

const WEIGHT: &[(&str, &str)] = &[(LOINC, "29463-7"), (LOINC, "3141-9"), (LOINC, "3142-7"), (SNOMED, "27113001")];
const HEIGHT: &[(&str, &str)] = &[(LOINC, "8302-2"), (LOINC, "3137-7"), (SNOMED, "50373000")];
const PREGNANCY: &[(&str, &str)] = &[(LOINC, "82810-3")];
const PREGNANT: &[(&str, &str)] = &[(LOINC, "LA15173-0"), (SNOMED, "77386006")];
const NOT_PREGNANT: &[(&str, &str)] = &[(LOINC, "LA26683-5"), (SNOMED, "60001007")];
const NO_ALLERGY: &[(&str, &str)] = &[(SNOMED, "716186003"), (ABSENT, "no-known-allergies")];
const NO_MEDICINE: &[(&str, &str)] = &[(ABSENT, "no-known-medications")];
const NO_PROBLEM: &[(&str, &str)] = &[(ABSENT, "no-known-problems")];

/// What is to be given away.
pub struct Outgoing<'a> {
    /// For names of substances, formulas, findings and patterns.
    pub m: &'a Materia,
    /// Whose records.
    pub wholes: &'a [Whole],
    /// Full names of the accounts that occur in them.
    pub names: &'a FullNames,
    /// The bytes of an attachment by its id; none where they are not at hand.
    pub blobs: &'a dyn Fn(&str) -> Option<Vec<u8>>,
    /// When the bundle is made.
    pub at: Timestamp,
}

/// What was read from a bundle.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Incoming {
    /// One for each Patient.
    pub wholes: Vec<Whole>,
    /// Ids of attachments with their bytes.
    pub blobs: Vec<(String, Vec<u8>)>,
    /// Full names that the bundle gives for accounts. A practitioner of another system has the full name for an account.
    pub names: FullNames,
    /// Everything in the bundle that is not in the above, in its order.
    pub left: Vec<LeftOut>,
}

/// A part of a bundle that was not taken over.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, schemars::JsonSchema)]
pub struct LeftOut {
    /// Where it stands (JSON Pointer, RFC 6901).
    pub path: String,
    /// Why it was left out, with the beginning of it.
    pub why: String,
}

/// Why a bundle cannot be read at all.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum FhirError {
    /// Not a Bundle.
    #[error("`{at}`: this is {found}, not a FHIR Bundle; put the resources into a Bundle of type `collection`")]
    NotABundle {
        /// JSON Pointer to the place.
        at: String,
        /// What it is.
        found: String,
    },
    /// A bundle of versions.
    #[error("`{at}`: a Bundle of type `history` holds old versions; ask for one of type `collection` or `searchset`")]
    History {
        /// JSON Pointer to the place.
        at: String,
    },
    /// An element of another JSON type than FHIR gives it.
    #[error("`{at}`: FHIR wants {wanted} here, and there is {found}; have the bundle written anew")]
    Type {
        /// JSON Pointer to the place.
        at: String,
        /// What FHIR wants.
        wanted: &'static str,
        /// What is there.
        found: &'static str,
    },
    /// A value that is not written as it should be.
    #[error("`{at}`: `{found}` is not {wanted}; correct it there")]
    Value {
        /// JSON Pointer to the place.
        at: String,
        /// What it should be, with an example.
        wanted: &'static str,
        /// What is there.
        found: String,
    },
    /// Bytes that are not those that were sent.
    #[error("`{at}`: the bytes are not those of the attachment ({why}); have the bundle sent again")]
    Bytes {
        /// JSON Pointer to the place.
        at: String,
        /// What does not fit.
        why: &'static str,
    },
    /// Two resources that go by one name.
    #[error(
        "`{at}`: `{url}` stands here a second time, so that references to it mean nothing; take one of the two out"
    )]
    Twice {
        /// JSON Pointer to the second.
        at: String,
        /// Its `fullUrl`, or type and id.
        url: String,
    },
}

// ---------------------------------------------------------------------------------------------------------------------
// Ids and numbers

fn hex(bytes: &[u8]) -> String {
    bytes.iter().map(|b| format!("{b:02x}")).collect()
}

/// A UUID (version 8, RFC 9562) from SHA-256 of the parts: the same parts always give the same one.
fn derived(parts: &[&str]) -> String {
    let mut h = Sha256::new();
    for part in parts {
        h.update((part.len() as u64).to_be_bytes());
        h.update(part.as_bytes());
    }
    let mut bytes = [0u8; 16];
    for (to, from) in bytes.iter_mut().zip(h.finalize()) {
        *to = from;
    }
    bytes[6] = (bytes[6] & 0x0f) | 0x80;
    bytes[8] = (bytes[8] & 0x3f) | 0x80;
    uuid::Uuid::from_bytes(bytes).to_string()
}

fn is_uuid(id: &str) -> bool {
    uuid::Uuid::try_parse(id).is_ok_and(|u| u.to_string() == id)
}

fn uuid_of(id: &str) -> String {
    if is_uuid(id) { id.to_owned() } else { derived(&["id", id]) }
}

fn url_of(id: &str) -> String {
    format!("urn:uuid:{}", uuid_of(id))
}

fn ten_to(n: u32) -> Rational {
    Rational::from(10i128.pow(n))
}

/// The decimal that is written for a double: the shortest that reads back as the same one. None beyond 10^±18.
fn of_double(x: f64) -> Option<Rational> {
    let text = format!("{x:e}");
    let (digits, power) = text.split_once('e')?;
    let mut power: i32 = power.parse().ok()?;
    let (negative, digits) = digits.strip_prefix('-').map_or((false, digits), |d| (true, d));
    let (whole, after) = digits.split_once('.').unwrap_or((digits, ""));
    power -= i32::try_from(after.len()).ok()?;
    let number: i128 = format!("{whole}{after}").parse().ok()?;
    let number = Rational::from(if negative { -number } else { number });
    let scale = ten_to(u32::try_from(power.abs()).ok().filter(|p| *p <= 36)?);
    if power < 0 { number.over(scale) } else { number.times(scale) }
}

/// A double near to a fraction; only for writing decimals and comparing with them.
fn near(r: Rational) -> f64 {
    r.numerator() as f64 / r.denominator() as f64
}

/// The JSON number for a fraction, and whether it is the fraction itself. At most 15 digits: these survive any reader that holds
/// doubles.
fn decimal(r: Rational) -> (Value, bool) {
    if let (true, Ok(n)) = (r.is_whole(), i64::try_from(r.numerator())) {
        return (n.into(), true);
    }
    let rounded: f64 = format!("{:.14e}", near(r)).parse().unwrap_or(0.0);
    // Outside of these, readers of JSON differ in the last digit.
    let safe = (1e-6..1e15).contains(&rounded.abs());
    let exact = safe && of_double(rounded) == Some(r);
    (serde_json::Number::from_f64(rounded).map_or(Value::from(0), Value::Number), exact)
}

fn fraction(text: &str) -> Option<Rational> {
    let (top, bottom) = text.split_once('/')?;
    let fits = |t: &str| !t.is_empty() && t.len() <= 38 && t.bytes().all(|b| b.is_ascii_digit());
    let (negative, digits) = top.strip_prefix('-').map_or((false, top), |t| (true, t));
    if !fits(digits) || !fits(bottom) {
        return None;
    }
    let top: i128 = digits.parse().ok()?;
    Rational::new(if negative { -top } else { top }, bottom.parse().ok()?)
}

// ---------------------------------------------------------------------------------------------------------------------
// Writing

/// A JSON object under construction.
struct Obj(Map<String, Value>);

impl From<Obj> for Value {
    fn from(o: Obj) -> Value {
        Value::Object(o.0)
    }
}

impl Obj {
    fn new() -> Obj {
        Obj(Map::new())
    }

    fn set(mut self, key: &str, value: impl Into<Value>) -> Obj {
        self.0.insert(key.into(), value.into());
        self
    }

    /// A text that may be empty.
    fn text(self, key: &str, text: &str) -> Obj {
        if text.is_empty() {
            self.set(&format!("_{key}"), json!({ "extension": [ext_bool(ext::EMPTY, true)] }))
        } else {
            self.set(key, text)
        }
    }

    /// A text for which empty and absent are one.
    fn some(self, key: &str, text: &str) -> Obj {
        if text.is_empty() { self } else { self.set(key, text) }
    }

    fn maybe(self, key: &str, value: Option<impl Into<Value>>) -> Obj {
        match value {
            Some(value) => self.set(key, value),
            None => self,
        }
    }

    fn list(self, key: &str, list: Vec<Value>) -> Obj {
        if list.is_empty() { self } else { self.set(key, list) }
    }

    fn number(self, key: &str, Exact(r): Exact) -> Obj {
        let (value, exact) = decimal(r);
        let this = self.set(key, value);
        if exact {
            return this;
        }
        let text = format!("{}/{}", r.numerator(), r.denominator());
        this.set(&format!("_{key}"), json!({ "extension": [ext_text(ext::EXACT, &text)] }))
    }

    fn ext(self, extensions: impl IntoIterator<Item = Value>) -> Obj {
        let mut this = self;
        let mut all = match this.0.remove("extension") {
            Some(Value::Array(all)) => all,
            _ => Vec::new(),
        };
        all.extend(extensions);
        this.list("extension", all)
    }
}

fn ext_of(url: &str) -> Obj {
    Obj::new().set("url", url)
}

fn ext_text(url: &str, text: &str) -> Value {
    if text.is_empty() {
        return ext_many(url, vec![ext_bool(ext::EMPTY, true)]);
    }
    ext_of(url).set("valueString", text).into()
}

fn ext_some(url: &str, text: &str) -> Option<Value> {
    (!text.is_empty()).then(|| ext_text(url, text))
}

fn ext_bool(url: &str, yes: bool) -> Value {
    ext_of(url).set("valueBoolean", yes).into()
}

fn ext_date(url: &str, day: Date) -> Value {
    ext_of(url).set("valueDate", day.to_string()).into()
}

/// As a quantity, so that a fraction may stand beside it.
fn ext_number(url: &str, number: Exact) -> Value {
    ext_of(url).set("valueQuantity", Obj::new().number("value", number)).into()
}

fn ext_many(url: &str, inner: Vec<Value>) -> Value {
    ext_of(url).list("extension", inner).into()
}

/// That FHIR wants a value which nobody knows.
fn unknown() -> Value {
    ext_of(DATA_ABSENT).set("valueCode", "unknown").into()
}

fn ext_id(id: &str) -> Option<Value> {
    (!is_uuid(id)).then(|| ext_text(ext::ID, id))
}

fn refer(id: &str) -> Value {
    Obj::new().set("reference", url_of(id)).ext(ext_id(id)).into()
}

fn coding(system: &str, code: &str, display: &str) -> Value {
    Obj::new().set("system", system).text("code", code).some("display", display).into()
}

/// A concept with one code, and its name for people.
fn concept(system: &str, code: &str, name: &str) -> Value {
    Obj::new().list("coding", vec![coding(system, code, name)]).some("text", name).into()
}

fn term(system: &str, code: &str) -> Value {
    json!({ "coding": [{ "system": format!("{TERMS}{system}"), "code": code }] })
}

fn quantity(number: Exact, unit: &str, code: &str) -> Value {
    Obj::new().number("value", number).set("unit", unit).set("system", UCUM).set("code", code).into()
}

fn days(n: u32) -> Value {
    json!({ "value": n, "unit": "d", "system": UCUM, "code": "d" })
}

/// How a person takes it: words, and how often a day.
fn dosage(text: &str, doses: Option<u32>) -> Vec<Value> {
    if text.is_empty() && doses.is_none() {
        return Vec::new();
    }
    let often = doses.map(|n| json!({ "repeat": { "frequency": n, "period": 1, "periodUnit": "d" } }));
    vec![Obj::new().some("text", text).maybe("timing", often).into()]
}

struct Writer<'a> {
    o: &'a Outgoing<'a>,
    entries: Vec<Value>,
    accounts: BTreeSet<&'a str>,
}

/// All that is kept of these people as a Bundle of type `collection`, every reference within it a `urn:uuid:`.
///
/// The same records at the same time give the same bundle. What a prescription was signed over is not changed by the way through it.
pub fn bundle(o: &Outgoing) -> Value {
    let mut w = Writer { o, entries: Vec::new(), accounts: BTreeSet::new() };
    for whole in o.wholes {
        w.whole(whole);
    }
    for account in std::mem::take(&mut w.accounts) {
        w.practitioner(account);
    }
    Obj::new()
        .set("resourceType", "Bundle")
        .set("meta", json!({ "source": OURS }))
        .set("type", "collection")
        .set("timestamp", o.at.to_string())
        .list("entry", w.entries)
        .into()
}

impl<'a> Writer<'a> {
    fn add(&mut self, id: &str, resource: Obj) {
        self.entries.push(json!({ "fullUrl": url_of(id), "resource": Value::from(resource) }));
    }

    /// A resource that is part of a record and has an id of its own only in the bundle.
    fn part(&self, kind: &str, id: &str) -> Obj {
        Obj::new().set("resourceType", kind).set("id", id)
    }

    /// A resource that is a record, and the Provenance of its version.
    fn kept<B>(&mut self, kind: &str, k: &'a Kept<B>) -> Obj {
        let version = ext_of(ext::VERSION).set("valueUnsignedInt", k.version).into();
        self.provenance(&k.id, "version", k.written, &k.by, vec![version]);
        let meta = json!({ "versionId": k.version.to_string(), "lastUpdated": k.written.to_string() });
        self.part(kind, &uuid_of(&k.id)).set("meta", meta).ext(ext_id(&k.id))
    }

    fn who(&mut self, account: &'a str) -> Value {
        self.accounts.insert(account);
        let name = self.o.names.get(account).map_or("", String::as_str);
        Obj::new().set("reference", format!("urn:uuid:{}", derived(&["account", account]))).some("display", name).into()
    }

    fn practitioner(&mut self, account: &str) {
        let id = derived(&["account", account]);
        let name = self.o.names.get(account).map(|n| Obj::new().text("text", n).into());
        let r = self
            .part("Practitioner", &id)
            .list("identifier", vec![Obj::new().set("system", system::ACCOUNT).text("value", account).into()])
            .list("name", name.into_iter().collect());
        self.add(&id, r);
    }

    fn provenance(&mut self, of: &str, activity: &str, at: Timestamp, by: &'a str, more: Vec<Value>) {
        let id = derived(&[of, activity]);
        let agent = vec![json!({ "who": self.who(by) })];
        let r = self
            .part("Provenance", &id)
            .ext(more)
            .list("target", vec![refer(of)])
            .set("recorded", at.to_string())
            .set("activity", concept(system::ACTIVITY, activity, ""))
            .list("agent", agent);
        self.add(&id, r);
    }

    fn whole(&mut self, w: &'a Whole) {
        let id = w.person.id.as_str();
        self.person(&w.person);
        w.visits.iter().for_each(|v| self.visit(id, v));
        w.prescriptions.iter().for_each(|p| self.prescription(id, p));
        w.dispensings.iter().for_each(|d| self.dispensing(id, d));
        w.measures.iter().for_each(|m| self.measure(id, m));
        w.readings.iter().for_each(|r| self.reading(w, r));
        w.appointments.iter().for_each(|a| self.appointment(id, a));
        w.attachments.iter().for_each(|a| self.attachment(id, a));
    }

    fn person(&mut self, k: &'a Kept<Person>) {
        let p = &k.record;
        let name = |(i, n): (usize, &String)| {
            let o = if i == 0 { Obj::new().set("use", "usual") } else { Obj::new() };
            o.text("text", n).into()
        };
        let number = (!p.number.is_empty()).then(|| json!({ "system": system::NUMBER, "value": p.number }));
        let reach =
            |system: &str, value: &str| (!value.is_empty()).then(|| json!({ "system": system, "value": value }));
        let telecom = [reach("phone", &p.phone), reach("email", &p.email)];
        let address = (!p.address.is_empty()).then(|| json!({ "text": p.address }));
        let diets = p.diets.iter().flatten().map(|d| ext_text(ext::DIET, d));
        let no_diets = p.diets.as_ref().filter(|d| d.is_empty()).map(|_| ext_bool(ext::NO_DIETS, true));
        let operation = p.operation.map(|op| {
            let on = op.on.map_or_else(|| ext_bool(ext::NO_OPERATION, true), |on| ext_date(ext::ON, on));
            ext_many(ext::OPERATION, vec![ext_date(ext::ASKED, op.asked), on])
        });
        let r = self
            .kept("Patient", k)
            .list("identifier", number.into_iter().collect())
            .list("name", p.names.iter().enumerate().map(name).collect())
            .list("telecom", telecom.into_iter().flatten().collect())
            .maybe("gender", p.sex.map(Sex::word))
            .maybe("birthDate", p.born.map(|d| d.to_string()))
            .list("address", address.into_iter().collect())
            .ext(diets)
            .ext(no_diets)
            .ext(operation)
            .ext(p.athlete.map(|yes| ext_bool(ext::ATHLETE, yes)))
            .ext(p.g6pd_deficient.map(|yes| ext_bool(ext::G6PD, yes)))
            .ext(ext_some(ext::NOTE, &p.note));
        self.add(&k.id, r);
        self.body(&k.id, p);
        self.takes(&k.id, p);
        p.consents.iter().enumerate().for_each(|(i, c)| self.consent(&k.id, i, c));
    }

    /// Id of the nth thing of a kind that belongs to a record.
    fn nth(of: &str, what: &str, n: usize) -> String {
        derived(&[of, what, &n.to_string()])
    }

    fn observation(&self, id: &str, person: &str, category: &str, code: Value) -> Obj {
        self.part("Observation", id)
            .set("status", "final")
            .list("category", vec![term("observation-category", category)])
            .set("code", code)
            .set("subject", refer(person))
    }

    fn body(&mut self, person: &str, p: &Person) {
        for (i, w) in p.weights.iter().enumerate() {
            let id = Self::nth(person, "weight", i);
            let r = self
                .observation(&id, person, "vital-signs", concept(LOINC, "29463-7", "Body weight"))
                .set("effectiveDateTime", w.on.to_string())
                .set("valueQuantity", quantity(w.kg, "kg", "kg"));
            self.add(&id, r);
        }
        if let Some(cm) = p.height_cm {
            let id = Self::nth(person, "height", 0);
            let r = self
                .observation(&id, person, "vital-signs", concept(LOINC, "8302-2", "Body height"))
                .set("_effectiveDateTime", Obj::new().ext([unknown()]))
                .set("valueQuantity", quantity(cm, "cm", "cm"));
            self.add(&id, r);
        }
        if let Some(a) = p.pregnant {
            let id = Self::nth(person, "pregnant", 0);
            let (code, name) = if a.yes { ("LA15173-0", "Pregnant") } else { ("LA26683-5", "Not pregnant") };
            let r = self
                .observation(&id, person, "social-history", concept(LOINC, "82810-3", "Pregnancy status"))
                .set("effectiveDateTime", a.asked.to_string())
                .set("valueCodeableConcept", concept(LOINC, code, name));
            self.add(&id, r);
        }
        if let Some(a) = p.breast_feeding {
            let id = Self::nth(person, "breast-feeding", 0);
            let code = concept(system::OBSERVED, "breast-feeding", "Breast-feeding");
            let r = self
                .observation(&id, person, "social-history", code)
                .set("effectiveDateTime", a.asked.to_string())
                .set("valueBoolean", a.yes);
            self.add(&id, r);
        }
    }

    fn takes(&mut self, person: &str, p: &Person) {
        if let Some(all) = &p.allergies {
            let none = all.is_empty().then(|| concept(SNOMED, "716186003", "No known allergy"));
            let codes = all.iter().map(|a| Obj::new().text("text", a).into()).chain(none);
            for (i, code) in codes.enumerate() {
                let id = Self::nth(person, "allergy", i);
                let r = self
                    .part("AllergyIntolerance", &id)
                    .set("clinicalStatus", term("allergyintolerance-clinical", "active"))
                    .set("code", code)
                    .set("patient", refer(person));
                self.add(&id, r);
            }
        }
        for (i, m) in p.medicines.iter().flatten().enumerate() {
            let id = Self::nth(person, "medicine", i);
            let over = m.until.is_some_and(|d| d < jiff::tz::TimeZone::UTC.to_datetime(self.o.at).date());
            let r = self
                .part("MedicationStatement", &id)
                .set("status", if over { "completed" } else { "active" })
                .set("medicationCodeableConcept", Obj::new().text("text", &m.name))
                .set("subject", refer(person))
                .maybe("effectivePeriod", period(m.since, m.until))
                .list("dosage", dosage(&m.dose, None));
            self.add(&id, r);
        }
        if p.medicines.as_ref().is_some_and(Vec::is_empty) {
            let id = Self::nth(person, "medicine", 0);
            let r = self
                .part("MedicationStatement", &id)
                .set("status", "unknown")
                .set("medicationCodeableConcept", concept(ABSENT, "no-known-medications", "No known medications"))
                .set("subject", refer(person));
            self.add(&id, r);
        }
        let none = Condition { name: String::new(), since: None, until: None };
        let no_problem = p.conditions.as_ref().filter(|c| c.is_empty()).map(|_| &none);
        for (i, c) in p.conditions.iter().flatten().chain(no_problem).enumerate() {
            let id = Self::nth(person, "condition", i);
            let code = match no_problem {
                Some(_) => concept(ABSENT, "no-known-problems", "No known problems"),
                None => Obj::new().text("text", &c.name).into(),
            };
            let state = if c.until.is_some() { "resolved" } else { "active" };
            let r = self
                .part("Condition", &id)
                .set("clinicalStatus", term("condition-clinical", state))
                .list("category", vec![term("condition-category", "problem-list-item")])
                .set("code", code)
                .set("subject", refer(person))
                .maybe("onsetDateTime", c.since.map(|d| d.to_string()))
                .maybe("abatementDateTime", c.until.map(|d| d.to_string()));
            self.add(&id, r);
        }
    }

    fn consent(&mut self, person: &str, n: usize, c: &Consent) {
        let id = Self::nth(person, "consent", n);
        let r = self
            .part("Consent", &id)
            .ext(ext_some(ext::NOTE, &c.note))
            .set("status", if c.given { "active" } else { "rejected" })
            .set("scope", term("consentscope", scope_of(&c.to)))
            .list("category", vec![Obj::new().text("text", &c.to).into()])
            .set("patient", refer(person))
            .set("dateTime", c.on.to_string())
            .set("policyRule", json!({ "text": CONSENT_POLICY }))
            .set("provision", json!({ "type": if c.given { "permit" } else { "deny" } }));
        self.add(&id, r);
    }

    fn finding(&self, id: &str) -> Value {
        let name = self.o.m.library().findings.get(id).map(|f| label(&f.zh, &f.en));
        concept(system::FINDING, id, &name.unwrap_or_default())
    }

    fn pattern(&self, id: &str) -> Value {
        let name = self.o.m.library().patterns.get(id).map(|p| label(&p.zh, &p.en));
        concept(system::PATTERN, id, &name.unwrap_or_default())
    }

    fn visit(&mut self, person: &str, k: &'a Kept<Visit>) {
        let v = &k.record;
        let diagnosis = |n: usize| Self::nth(&k.id, "pattern", n);
        let diagnoses =
            (0..v.patterns.len()).map(|n| json!({ "condition": refer(&diagnosis(n)), "rank": n + 1 })).collect();
        let reason = (!v.complaint.is_empty()).then(|| json!({ "text": v.complaint }));
        let by = (!v.practitioner.is_empty()).then(|| json!({ "individual": self.who(&v.practitioner) }));
        let day = v.on.to_string();
        let r = self
            .kept("Encounter", k)
            .ext(ext_some(ext::NOTES, &v.notes))
            .ext(ext_some(ext::REASONING, &v.reasoning))
            .ext(ext_some(ext::PLAN, &v.plan))
            .ext(v.flags.iter().map(|f| ext_text(ext::FLAG, f)))
            .set("status", "finished")
            .set("class", json!({ "system": format!("{TERMS}v3-ActCode"), "code": "AMB", "display": "ambulatory" }))
            .set("subject", refer(person))
            .list("participant", by.into_iter().collect())
            .set("period", json!({ "start": day, "end": day }))
            .list("reasonCode", reason.into_iter().collect())
            .list("diagnosis", diagnoses);
        self.add(&k.id, r);
        let found = v.findings.iter().map(|f| (f, true)).chain(v.absent.iter().map(|f| (f, false)));
        for (n, (finding, there)) in found.enumerate() {
            let id = Self::nth(&k.id, "finding", n);
            let r = self.seen(&id, person, k, self.finding(finding)).set("valueBoolean", there);
            self.add(&id, r);
        }
        for (what, name, text) in [("tongue", "Tongue", &v.tongue), ("pulse", "Pulse", &v.pulse)] {
            if !text.is_empty() {
                let id = Self::nth(&k.id, what, 0);
                let code = concept(system::OBSERVED, what, name);
                let r = self.seen(&id, person, k, code).set("valueString", text.as_str());
                self.add(&id, r);
            }
        }
        for (n, pattern) in v.patterns.iter().enumerate() {
            let r = self
                .part("Condition", &diagnosis(n))
                .set("clinicalStatus", term("condition-clinical", "active"))
                .list("category", vec![term("condition-category", "encounter-diagnosis")])
                .set("code", self.pattern(pattern))
                .set("subject", refer(person))
                .set("encounter", refer(&k.id))
                .set("recordedDate", v.on.to_string());
            self.add(&diagnosis(n), r);
        }
    }

    fn seen(&self, id: &str, person: &str, visit: &Kept<Visit>, code: Value) -> Obj {
        self.observation(id, person, "exam", code)
            .set("encounter", refer(&visit.id))
            .set("effectiveDateTime", visit.record.on.to_string())
    }

    /// The code of a substance or formula; formulas occur where a product holds a whole one.
    fn drug(&self, id: &str) -> (Value, String) {
        let m = self.o.m;
        if let Some(s) = m.substance_by_id(id).map(|ix| m.substance(ix)) {
            let name = format!("{} {} {}", s.hanzi, s.pinyin, s.latin);
            return (coding(system::SUBSTANCE, id, &s.english), name.trim().to_owned());
        }
        match m.formula_by_id(id).map(|ix| m.formula(ix)) {
            Some(f) => (coding(system::FORMULA, id, &f.english), format!("{} {}", f.hanzi, f.pinyin)),
            None => (coding(system::SUBSTANCE, id, ""), String::new()),
        }
    }

    fn ingredient(&self, line: &RxLine) -> Value {
        let (code, name) = line.substance.as_deref().map(|id| self.drug(id)).unzip();
        let name = name.filter(|n| !n.is_empty());
        let item = match &name {
            Some(name) if *name != line.name => {
                Obj::new().set("text", name.as_str()).ext([ext_text(ext::AS_WRITTEN, &line.name)])
            }
            _ => Obj::new().text("text", &line.name),
        };
        let a_day = |g| json!({ "numerator": quantity(g, "g", "g"), "denominator": days(1) });
        Obj::new()
            .ext(line.pot.iter().map(|p| ext_text(ext::POT, p.word())))
            .set("itemCodeableConcept", item.list("coding", code.into_iter().collect()))
            .maybe("strength", line.grams.map(a_day))
            .into()
    }

    fn medicine(&self, p: &Prescription) -> Value {
        let formula = p.formula.as_deref().map(|id| {
            let name = self.o.m.formula_by_id(id).map(|ix| self.o.m.formula(ix));
            coding(system::FORMULA, id, &name.map_or_else(String::new, |f| label(&f.hanzi, &f.pinyin)))
        });
        let code = Obj::new().some("text", &p.title).list("coding", formula.into_iter().collect());
        let code = (!code.0.is_empty()).then_some(code);
        Obj::new()
            .set("resourceType", "Medication")
            .set("id", "medication")
            .ext(p.granule_ratio.map(|r| ext_number(ext::GRANULE_RATIO, r)))
            .maybe("code", code)
            .maybe("form", p.form.map(|f| concept(system::FORM, f.word(), f.word())))
            .list("ingredient", p.items.iter().map(|l| self.ingredient(l)).collect())
            .into()
    }

    fn prescription(&mut self, person: &str, k: &'a Kept<Prescription>) {
        let p = &k.record;
        if let Some(s) = &p.signed {
            let more = [ext_text(ext::SIGNATURE_HASH, &s.hash)]
                .into_iter()
                .chain(s.findings.iter().map(signed_finding))
                .chain(s.not_checked.iter().map(|n| ext_text(ext::NOT_CHECKED, n)))
                .collect();
            self.provenance(&k.id, "signature", s.at, &s.by, more);
        }
        if let Some(w) = &p.withdrawn {
            self.provenance(&k.id, "withdrawal", w.at, &w.by, Vec::new());
        }
        let supply = p.days.map(|n| json!({ "expectedSupplyDuration": days(n) }));
        let r = self
            .kept("MedicationRequest", k)
            .list("contained", vec![self.medicine(p)])
            .ext(p.overrides.iter().map(set_aside))
            .ext(ext_some(ext::WHY_CHANGED, &p.why))
            .set("status", request_status(p))
            .maybe("statusReason", p.withdrawn.as_ref().map(|w| Obj::new().text("text", &w.why)))
            .set("intent", "order")
            .set("medicationReference", json!({ "reference": "#medication" }))
            .set("subject", refer(person))
            .maybe("encounter", p.visit.as_deref().map(refer))
            .set("authoredOn", p.on.to_string())
            .list("reasonCode", p.patterns.iter().map(|id| self.pattern(id)).collect())
            .list("dosageInstruction", dosage(&p.directions, p.doses))
            .maybe("dispenseRequest", supply)
            .maybe("priorPrescription", p.parent.as_deref().map(refer));
        self.add(&k.id, r);
    }

    fn dispensed(&self, n: usize, line: &DispensedLine) -> Value {
        let (code, name) = self.drug(&line.substance);
        let product = (!line.product.is_empty()).then(|| json!({ "system": system::PRODUCT, "value": line.product }));
        let batch = (!line.lot.is_empty()).then(|| json!({ "lotNumber": line.lot }));
        Obj::new()
            .set("resourceType", "Medication")
            .set("id", format!("line-{n}"))
            .list("identifier", product.into_iter().collect())
            .set("code", Obj::new().list("coding", vec![code]).some("text", &name))
            .set("amount", json!({ "numerator": quantity(line.grams, "g", "g"), "denominator": { "value": 1 } }))
            .maybe("batch", batch)
            .into()
    }

    fn dispensing(&mut self, person: &str, k: &'a Kept<Dispensing>) {
        let d = &k.record;
        let ingredients =
            (1..=d.lines.len()).map(|n| json!({ "itemReference": { "reference": format!("#line-{n}") } }));
        let form = (!d.preparation.is_empty()).then(|| json!({ "text": d.preparation }));
        let bag = Obj::new()
            .set("resourceType", "Medication")
            .set("id", "medication")
            .maybe("form", form)
            .list("ingredient", ingredients.collect());
        let lines = d.lines.iter().zip(1..).map(|(l, n)| self.dispensed(n, l));
        let contained = std::iter::once(bag.into()).chain(lines).collect();
        let number = (!d.number.is_empty()).then(|| json!({ "system": system::LABEL, "value": d.number }));
        let by = (!d.dispenser.is_empty()).then(|| json!({ "actor": self.who(&d.dispenser) }));
        let r = self
            .kept("MedicationDispense", k)
            .list("contained", contained)
            .ext(d.price.as_deref().map(|p| ext_text(ext::PRICE, p)))
            .list("identifier", number.into_iter().collect())
            .set("status", "completed")
            .set("medicationReference", json!({ "reference": "#medication" }))
            .set("subject", refer(person))
            .list("performer", by.into_iter().collect())
            .list("authorizingPrescription", vec![refer(&d.prescription)])
            .set("daysSupply", days(d.days))
            .set("whenHandedOver", d.on.to_string())
            .list("note", d.remarks.iter().map(|r| Obj::new().text("text", r).into()).collect())
            .list("dosageInstruction", dosage("", d.doses));
        self.add(&k.id, r);
    }

    fn measure(&mut self, person: &str, k: &'a Kept<Measure>) {
        let m = &k.record;
        let code = Obj::new().list("coding", vec![coding(system::RECORD, "measure", "")]).text("text", &m.name);
        let better = match m.better {
            Better::Less => "less",
            Better::More => "more",
        };
        let r = self
            .kept("Basic", k)
            .ext([ext_number(ext::LEAST, m.least)])
            .ext(m.most.map(|most| ext_number(ext::MOST, most)))
            .ext(ext_some(ext::UNIT, &m.unit))
            .ext([ext_text(ext::BETTER, better)])
            .set("code", code)
            .set("subject", refer(person));
        self.add(&k.id, r);
    }

    fn reading(&mut self, w: &'a Whole, k: &'a Kept<Reading>) {
        let r = &k.record;
        let measure = w.measures.iter().find(|m| m.id == r.measure).map(|m| &m.record);
        let name = measure.map_or("", |m| m.name.as_str());
        let value = Obj::new().number("value", r.value).some("unit", measure.map_or("", |m| m.unit.as_str()));
        let note = (!r.note.is_empty()).then(|| json!({ "text": r.note }));
        let r = self
            .kept("Observation", k)
            .set("status", "final")
            .list("category", vec![term("observation-category", "survey")])
            .set("code", concept(system::MEASURE, &r.measure, name))
            .set("subject", refer(&w.person.id))
            .maybe("encounter", r.visit.as_deref().map(refer))
            .set("effectiveDateTime", r.on.to_string())
            .set("valueQuantity", value)
            .list("note", note.into_iter().collect());
        self.add(&k.id, r);
    }

    /// FHIR wants an instant for the start, and a clinic's diary knows only the day and the clock on its wall. So the start says that
    /// the instant is not known and holds day and time of the day beside it; the day stands in `requestedPeriod` too.
    fn appointment(&mut self, person: &str, k: &'a Kept<Appointment>) {
        let a = &k.record;
        let at = a.at.map(|t| ext_of(ext::AT).set("valueTime", t.to_string()).into());
        let start = Obj::new().ext([unknown(), ext_date(ext::ON, a.on)]).ext(at);
        let (purpose, name) = match a.purpose {
            Purpose::Visit => ("visit", "The person comes"),
            Purpose::Call => ("call", "The clinic calls"),
        };
        let with = (!a.with.is_empty()).then(|| json!({ "actor": self.who(&a.with), "status": "accepted" }));
        let person = json!({ "actor": refer(person), "status": "accepted" });
        let r = self
            .kept("Appointment", k)
            .set("status", STANDINGS.iter().find(|(s, _)| *s == a.standing).map_or("booked", |(_, word)| word))
            .set("appointmentType", concept(system::PURPOSE, purpose, name))
            .some("description", &a.about)
            .set("_start", start)
            .set("_end", Obj::new().ext([unknown()]))
            .list("participant", std::iter::once(person).chain(with).collect())
            .list("requestedPeriod", vec![json!({ "start": a.on.to_string() })]);
        self.add(&k.id, r);
    }

    fn attachment(&mut self, person: &str, k: &'a Kept<Attachment>) {
        let a = &k.record;
        let small = i32::try_from(a.bytes).ok();
        let large = small.is_none().then(|| ext_text(ext::BYTES, &a.bytes.to_string()));
        let content = Obj::new()
            .ext([ext_text(ext::SHA256, &a.sha256)])
            .ext(large)
            .some("contentType", &a.media)
            .maybe("size", small)
            .some("title", &a.title);
        let content = match (self.o.blobs)(&k.id) {
            Some(bytes) => content.text("data", &STANDARD.encode(bytes)),
            None => content,
        };
        let visit = a.visit.as_deref().map(refer);
        let r = if a.shows == Shows::Document {
            let content = content.set("creation", a.on.to_string());
            self.kept("DocumentReference", k)
                .set("status", "current")
                .set("subject", refer(person))
                .list("content", vec![json!({ "attachment": Value::from(content) })])
                .maybe("context", visit.map(|v| json!({ "encounter": [v] })))
        } else {
            let seen = (a.shows != Shows::Other).then(|| concept(system::SHOWS, a.shows.word(), a.shows.word()));
            self.kept("Media", k)
                .set("status", "completed")
                .set("subject", refer(person))
                .maybe("encounter", visit)
                .set("createdDateTime", a.on.to_string())
                .maybe("bodySite", seen)
                .set("content", content)
        };
        self.add(&k.id, r);
    }
}

/// How an appointment stands, in the words of FHIR.
const STANDINGS: [(Standing, &str); 4] = [
    (Standing::Planned, "booked"),
    (Standing::Kept, "fulfilled"),
    (Standing::Missed, "noshow"),
    (Standing::Off, "cancelled"),
];

fn label(zh: &str, en: &str) -> String {
    format!("{zh} {en}").trim().to_owned()
}

fn scope_of(to: &str) -> &'static str {
    match to {
        "research" => "research",
        "treatment" => "treatment",
        _ => "patient-privacy",
    }
}

fn request_status(p: &Prescription) -> &'static str {
    match p.state() {
        "signed" => "active",
        "withdrawn" => "cancelled",
        _ => "draft",
    }
}

fn period(since: Option<Date>, until: Option<Date>) -> Option<Value> {
    let o = Obj::new().maybe("start", since.map(|d| d.to_string())).maybe("end", until.map(|d| d.to_string()));
    (!o.0.is_empty()).then(|| o.into())
}

fn signed_finding(f: &SignedFinding) -> Value {
    let mut inner = vec![
        ext_text(ext::KEY, &f.key),
        ext_text(ext::RULE, &f.rule),
        ext_text(ext::SEVERITY, &f.severity),
        ext_text(ext::TITLE, &f.title),
    ];
    inner.extend(f.set_aside.as_deref().map(|why| ext_text(ext::SET_ASIDE, why)));
    ext_many(ext::SIGNED_FINDING, inner)
}

fn set_aside(o: &Override) -> Value {
    let mut inner = vec![ext_text(ext::FINDING, &o.finding), ext_text(ext::REASON, &o.reason)];
    inner.extend(o.by.as_deref().map(|by| ext_text(ext::BY, by)));
    inner.extend(o.at.as_deref().map(|at| ext_text(ext::AT, at)));
    inner.push(ext_bool(ext::CONFIRMED, o.confirmed));
    ext_many(ext::OVERRIDE, inner)
}

// ---------------------------------------------------------------------------------------------------------------------
// Reading: marks and accessors

/// Why the reading of one resource stopped.
enum Stop {
    /// The resource is left out.
    Left(String),
    /// The bundle cannot be read; the error gets its place later.
    Bad(Box<Fault>),
}

/// An error at a value of the bundle, known by its address.
struct Fault {
    at: usize,
    what: What,
}

enum What {
    Type(&'static str, &'static str),
    Value(&'static str, String),
    Bytes(&'static str),
    Twice(String),
}

type R<T> = Result<T, Stop>;

fn left<T>(why: impl Into<String>) -> R<T> {
    Err(Stop::Left(why.into()))
}

fn bad<T>(at: &Value, what: What) -> R<T> {
    Err(Stop::Bad(Box::new(Fault { at: address(at), what })))
}

fn wrong<T>(at: &Value, wanted: &'static str) -> R<T> {
    bad(at, What::Type(wanted, type_name(at)))
}

fn address(v: &Value) -> usize {
    std::ptr::from_ref(v) as usize
}

fn type_name(v: &Value) -> &'static str {
    match v {
        Value::Null => "null",
        Value::Bool(_) => "a boolean",
        Value::Number(_) => "a number",
        Value::String(_) => "a text",
        Value::Array(_) => "a list",
        Value::Object(_) => "an object",
    }
}

/// The beginning of a value, for people.
fn excerpt(v: &Value) -> String {
    let text = v.to_string();
    match text.char_indices().nth(100) {
        Some((at, _)) => format!("{} …", &text[..at]),
        None => text,
    }
}

/// What of a bundle was understood. Values are known by their address, which does not change while the bundle is borrowed.
#[derive(Default)]
struct Seen {
    used: RefCell<FxHashSet<usize>>,
    notes: RefCell<FxHashMap<usize, String>>,
}

impl Seen {
    /// Marks a value, with all that is in it, as understood.
    fn deep(&self, v: &Value) {
        self.used.borrow_mut().insert(address(v));
    }

    fn deep_field(&self, v: &Value, key: &str) {
        if let Some(v) = v.get(key) {
            self.deep(v);
        }
    }

    /// Marks a text, number or boolean. In anything else there may be more than is known here.
    fn used(&self, v: &Value) {
        if !v.is_object() && !v.is_array() {
            self.deep(v);
        }
    }

    fn used_coding(&self, v: &Value) {
        for key in ["system", "version", "code", "display", "userSelected"] {
            self.used_field(v, key);
        }
        if let Some(e) = v.get("_code").and_then(|c| extensions(c, ext::EMPTY).next()) {
            self.used_extension(e);
        }
    }

    /// Marks a concept: its codes say the same thing, and its text is a name for it.
    fn used_concept(&self, v: &Value) {
        self.used_field(v, "text");
        v.get("coding").and_then(Value::as_array).into_iter().flatten().for_each(|c| self.used_coding(c));
    }

    fn used_concept_field(&self, v: &Value, key: &str) {
        if let Some(v) = v.get(key) {
            self.used_concept(v);
        }
    }

    fn used_reference(&self, r: &Value) {
        for key in ["reference", "type", "display"] {
            self.used_field(r, key);
        }
        if let Some(e) = extensions(r, ext::ID).next() {
            self.used_extension(e);
        }
    }

    /// Marks an extension that holds one simple value.
    fn used_extension(&self, e: &Value) {
        e.as_object().into_iter().flatten().for_each(|(_, v)| self.used(v));
    }

    fn used_field(&self, v: &Value, key: &str) {
        if let Some(v) = v.get(key) {
            self.used(v);
        }
    }

    /// Says of a value why it is left out.
    fn note(&self, v: &Value, why: impl Into<String>) {
        self.notes.borrow_mut().entry(address(v)).or_insert_with(|| why.into());
    }

    /// Collects what was not understood; whether anything in here was.
    fn gather(&self, v: &Value, path: &mut String, out: &mut Vec<LeftOut>) -> bool {
        if let Some(why) = self.notes.borrow().get(&address(v)) {
            out.push(LeftOut { path: path.clone(), why: format!("{why}: {}", excerpt(v)) });
            return true;
        }
        if self.used.borrow().contains(&address(v)) {
            return true;
        }
        let (start, length) = (out.len(), path.len());
        let mut any = false;
        let mut child = |key: &str, v: &Value, out: &mut Vec<LeftOut>| {
            path.push('/');
            path.push_str(&key.replace('~', "~0").replace('/', "~1"));
            any |= self.gather(v, path, out);
            path.truncate(length);
        };
        match v {
            Value::Array(list) => list.iter().enumerate().for_each(|(i, v)| child(&i.to_string(), v, out)),
            Value::Object(map) => map.iter().for_each(|(k, v)| child(k, v, out)),
            _ => {}
        }
        if !any {
            out.truncate(start);
            out.push(LeftOut { path: path.clone(), why: format!("nothing in the record holds this: {}", excerpt(v)) });
        }
        any
    }
}

/// JSON Pointer to the value at an address.
fn place(v: &Value, at: usize, path: &mut String) -> bool {
    if address(v) == at {
        return true;
    }
    let length = path.len();
    let mut child = |key: &str, v: &Value| {
        path.push('/');
        path.push_str(&key.replace('~', "~0").replace('/', "~1"));
        let found = place(v, at, path);
        if !found {
            path.truncate(length);
        }
        found
    };
    match v {
        Value::Array(list) => list.iter().enumerate().any(|(i, v)| child(&i.to_string(), v)),
        Value::Object(map) => map.iter().any(|(k, v)| child(k, v)),
        _ => false,
    }
}

/// A field that is there and not null.
fn field<'a>(v: &'a Value, key: &str) -> Option<&'a Value> {
    v.get(key).filter(|v| !v.is_null())
}

fn object<'a>(v: &'a Value, key: &str) -> R<Option<&'a Value>> {
    match field(v, key) {
        Some(o) if !o.is_object() => wrong(o, "an object"),
        o => Ok(o),
    }
}

fn list<'a>(v: &'a Value, key: &str) -> R<&'a [Value]> {
    match field(v, key) {
        None => Ok(&[]),
        Some(Value::Array(list)) => match list.iter().find(|i| !i.is_object()) {
            Some(item) => wrong(item, "an object"),
            None => Ok(list),
        },
        Some(other) => wrong(other, "a list"),
    }
}

/// The text of a field without a mark, to find things by.
fn peek<'a>(v: &'a Value, key: &str) -> Option<&'a str> {
    v.get(key).and_then(Value::as_str)
}

fn extensions<'a, 'u>(v: &'a Value, url: &'u str) -> impl Iterator<Item = &'a Value> + use<'a, 'u> {
    let all = v.get("extension").and_then(Value::as_array).into_iter().flatten();
    all.filter(move |e| peek(e, "url") == Some(url))
}

impl Seen {
    /// A text; empty where an extension says so.
    fn text<'a>(&self, v: &'a Value, key: &str) -> R<Option<&'a str>> {
        if let Some(found) = field(v, key) {
            let Value::String(text) = found else { return wrong(found, "a text") };
            self.used(found);
            return Ok(Some(text));
        }
        // An extension that is empty holds the word for it itself.
        let beside = if key == "valueString" { Some(v) } else { v.get(format!("_{key}")) };
        let empty = beside.and_then(|b| extensions(b, ext::EMPTY).find(|e| e["valueBoolean"] == true));
        if let Some(e) = empty {
            self.used_extension(e);
        }
        Ok(empty.map(|_| ""))
    }

    fn words(&self, v: &Value, key: &str) -> R<String> {
        Ok(self.text(v, key)?.unwrap_or_default().to_owned())
    }

    fn yes(&self, v: &Value, key: &str) -> R<Option<bool>> {
        let Some(found) = field(v, key) else { return Ok(None) };
        let Value::Bool(yes) = found else { return wrong(found, "a boolean") };
        self.used(found);
        Ok(Some(*yes))
    }

    fn count(&self, v: &Value, key: &str) -> R<Option<u64>> {
        let Some(found) = field(v, key) else { return Ok(None) };
        let Value::Number(n) = found else { return wrong(found, "a number") };
        let Some(n) = n.as_u64() else {
            return bad(found, What::Value("a whole number from 0, such as `7`", found.to_string()));
        };
        self.used(found);
        Ok(Some(n))
    }

    fn small(&self, v: &Value, key: &str) -> R<Option<u32>> {
        let Some(n) = self.count(v, key)? else { return Ok(None) };
        match u32::try_from(n) {
            Ok(n) => Ok(Some(n)),
            Err(_) => bad(&v[key], What::Value("a whole number below 4294967296", n.to_string())),
        }
    }

    /// A decimal, or the fraction beside it.
    fn number(&self, v: &Value, key: &str) -> R<Option<Rational>> {
        let Some(found) = field(v, key) else { return Ok(None) };
        let Value::Number(n) = found else { return wrong(found, "a number") };
        let double = n.as_f64().unwrap_or(f64::NAN);
        let whole = n.as_i64().map(i128::from).or(n.as_u64().map(i128::from)).map(Rational::from);
        self.used(found);
        if let Some(e) = v.get(format!("_{key}")).and_then(|b| extensions(b, ext::EXACT).next()) {
            match peek(e, "valueString").and_then(fraction) {
                Some(exact) if (near(exact) - double).abs() <= near(exact).abs() * 1e-12 => {
                    self.used_extension(e);
                    return Ok(Some(exact));
                }
                _ => self.note(e, "the fraction does not agree with the decimal, which was taken"),
            }
        }
        match whole.or_else(|| of_double(double)) {
            Some(r) => Ok(Some(r)),
            None => bad(found, What::Value("a number between 10^-18 and 10^18, such as `1.5`", found.to_string())),
        }
    }

    /// The one extension of this URL, its `url` marked.
    fn ext<'a>(&self, v: &'a Value, url: &str) -> Option<&'a Value> {
        let e = extensions(v, url).next()?;
        self.used(&e["url"]);
        Some(e)
    }

    fn ext_text<'a>(&self, v: &'a Value, url: &str) -> R<Option<&'a str>> {
        self.ext(v, url).map_or(Ok(None), |e| self.text(e, "valueString"))
    }

    fn ext_words(&self, v: &Value, url: &str) -> R<String> {
        Ok(self.ext_text(v, url)?.unwrap_or_default().to_owned())
    }

    fn ext_texts(&self, v: &Value, url: &str) -> R<Vec<String>> {
        let mut all = Vec::new();
        for e in extensions(v, url) {
            if let Some(text) = self.text(e, "valueString")? {
                self.used(&e["url"]);
                all.push(text.to_owned());
            }
        }
        Ok(all)
    }

    fn ext_yes(&self, v: &Value, url: &str) -> R<Option<bool>> {
        self.ext(v, url).map_or(Ok(None), |e| self.yes(e, "valueBoolean"))
    }

    fn ext_day(&self, v: &Value, url: &str) -> R<Option<Date>> {
        self.ext(v, url).map_or(Ok(None), |e| self.day(e, "valueDate"))
    }

    fn ext_number(&self, v: &Value, url: &str) -> R<Option<Exact>> {
        let Some(e) = self.ext(v, url) else { return Ok(None) };
        let Some(q) = object(e, "valueQuantity")? else { return Ok(None) };
        Ok(self.number(q, "value")?.map(Exact))
    }

    /// The day of a date or dateTime. One that is not to the day is left out; a time of the day is reported.
    fn day(&self, v: &Value, key: &str) -> R<Option<Date>> {
        let Some(text) = self.text(v, key)? else { return Ok(None) };
        let digits = |t: &str, n: usize| t.len() == n && t.bytes().all(|b| b.is_ascii_digit());
        let partial = match text.split_once('-') {
            None => digits(text, 4),
            Some((year, month)) => digits(year, 4) && digits(month, 2),
        };
        if partial {
            self.note(&v[key], "the record wants the day, and this is none");
            return Ok(None);
        }
        let (date, time) = text.split_once('T').map_or((text, None), |(d, t)| (d, Some(t)));
        let Ok(day) = date.parse::<Date>() else {
            return bad(&v[key], What::Value("a date, such as `2026-02-28`", text.to_owned()));
        };
        if time.is_some() {
            self.note(&v[key], "the day was taken, the time of the day was not");
        }
        Ok(Some(day))
    }

    fn instant(&self, v: &Value, key: &str) -> R<Option<Timestamp>> {
        let Some(text) = self.text(v, key)? else { return Ok(None) };
        match text.parse() {
            Ok(at) => Ok(Some(at)),
            Err(_) => bad(&v[key], What::Value("an instant, such as `2026-02-28T09:30:00Z`", text.to_owned())),
        }
    }

    /// The code of this system in a concept; the concept with its names and translations is understood by it.
    fn coded<'a>(&self, concept: Option<&'a Value>, system: &str) -> R<Option<&'a str>> {
        let Some(concept) = concept else { return Ok(None) };
        let Some(coding) = list(concept, "coding")?.iter().find(|c| peek(c, "system") == Some(system)) else {
            return Ok(None);
        };
        let code = self.text(coding, "code")?;
        if code.is_some() {
            self.used_concept(concept);
        }
        Ok(code)
    }

    /// Whether a concept holds one of these codes; it is understood by it.
    fn is_any(&self, concept: Option<&Value>, codes: &[(&str, &str)]) -> R<bool> {
        let Some(concept) = concept else { return Ok(false) };
        let known = |c: &Value| codes.iter().any(|(s, k)| peek(c, "system") == Some(s) && peek(c, "code") == Some(k));
        let hit = list(concept, "coding")?.iter().any(known);
        if hit {
            self.used_concept(concept);
        }
        Ok(hit)
    }

    /// The first code of a concept of state, whatever its system; understood where it is one of these.
    fn state<'a>(&self, v: &'a Value, key: &str, known: &[&str]) -> R<Option<&'a str>> {
        let Some(concept) = object(v, key)? else { return Ok(None) };
        let code = list(concept, "coding")?.iter().find_map(|c| peek(c, "code")).or_else(|| peek(concept, "text"));
        if code.is_some_and(|c| known.contains(&c)) {
            self.used_concept(concept);
        }
        Ok(code)
    }

    /// Marks those of a list of concepts that hold one of these codes.
    fn categories(&self, v: &Value, known: &[&str]) -> R<Vec<String>> {
        let mut all = Vec::new();
        for concept in list(v, "category")? {
            for code in list(concept, "coding")?.iter().filter_map(|c| peek(c, "code")) {
                if known.contains(&code) {
                    self.used_concept(concept);
                }
                all.push(code.to_owned());
            }
        }
        Ok(all)
    }

    /// What people call a concept: its text, the name of a code, or a code.
    fn name<'a>(&self, concept: Option<&'a Value>) -> R<Option<&'a str>> {
        let Some(concept) = concept else { return Ok(None) };
        let mut name = self.text(concept, "text")?;
        let codings = list(concept, "coding")?;
        for coding in codings {
            match name {
                None => name = self.text(coding, "display")?,
                Some(name) if peek(coding, "display") == Some(name) => self.used_field(coding, "display"),
                Some(_) => {}
            }
        }
        for coding in codings {
            if name.is_none() {
                name = self.text(coding, "code")?;
            }
        }
        Ok(name)
    }

    /// A quantity in one of these units, times the factor that belongs to it; nothing for another unit, or for `less than`.
    fn quantity(&self, q: &Value, units: &[(&str, i64, i64)]) -> R<Option<Rational>> {
        let unit = peek(q, "code").or_else(|| peek(q, "unit")).unwrap_or("1");
        let Some((_, top, bottom)) = units.iter().find(|(u, _, _)| *u == unit) else { return Ok(None) };
        if field(q, "comparator").is_some() {
            return Ok(None);
        }
        let Some(n) = self.number(q, "value")? else { return Ok(None) };
        for key in ["unit", "code", "system"] {
            self.used_field(q, key);
        }
        Ok(Rational::new((*top).into(), (*bottom).into()).and_then(|f| n.times(f)))
    }

    /// Grams for one of something.
    fn grams(&self, ratio: Option<&Value>, per: &[(&str, i64, i64)]) -> R<Option<Exact>> {
        let Some(ratio) = ratio else { return Ok(None) };
        let Some(top) = object(ratio, "numerator")? else { return Ok(None) };
        let Some(bottom) = object(ratio, "denominator")? else { return Ok(None) };
        let Some(bottom) = self.quantity(bottom, per)? else { return Ok(None) };
        let Some(top) = self.quantity(top, MASSES)? else { return Ok(None) };
        Ok(top.over(bottom).map(Exact))
    }

    fn days(&self, q: Option<&Value>) -> R<Option<u32>> {
        let Some(q) = q else { return Ok(None) };
        let n = self.quantity(q, DAYS)?.filter(|n| n.is_whole()).and_then(|n| u32::try_from(n.numerator()).ok());
        if n.is_none() {
            self.note(q, "it is not a whole number of days");
        }
        Ok(n)
    }
}

/// To grams.
const MASSES: &[(&str, i64, i64)] = &[("g", 1, 1), ("mg", 1, 1000), ("kg", 1000, 1)];
/// To days.
const DAYS: &[(&str, i64, i64)] = &[("d", 1, 1), ("day", 1, 1), ("days", 1, 1), ("wk", 7, 1)];
const ONE: &[(&str, i64, i64)] = &[("1", 1, 1)];
/// To kilograms; the pound is 0.45359237 kg, the ounce a sixteenth of it.
const BODY_WEIGHTS: &[(&str, i64, i64)] = &[
    ("kg", 1, 1),
    ("g", 1, 1000),
    ("[lb_av]", 45_359_237, 100_000_000),
    ("lb", 45_359_237, 100_000_000),
    ("lbs", 45_359_237, 100_000_000),
    ("[oz_av]", 45_359_237, 1_600_000_000),
    ("oz", 45_359_237, 1_600_000_000),
];
/// To centimetres; the inch is 2.54 cm.
const BODY_HEIGHTS: &[(&str, i64, i64)] = &[
    ("cm", 1, 1),
    ("m", 100, 1),
    ("mm", 1, 10),
    ("[in_i]", 254, 100),
    ("in", 254, 100),
    ("[ft_i]", 3048, 100),
    ("ft", 3048, 100),
];

// ---------------------------------------------------------------------------------------------------------------------
// Reading: the bundle

/// One resource of the bundle.
struct Entry<'a> {
    full: Option<&'a str>,
    kind: &'a str,
    resource: &'a Value,
    /// Id of the record that it becomes.
    id: String,
}

struct Reader<'a> {
    m: &'a Materia,
    ours: bool,
    at: Timestamp,
    seen: Seen,
    entries: Vec<Entry<'a>>,
    by_url: FxHashMap<String, usize>,
    /// `Type/id` → entries; several where servers are mixed.
    by_id: FxHashMap<String, Vec<usize>>,
    /// Entry of a practitioner → account.
    accounts: FxHashMap<usize, String>,
    names: FullNames,
    /// Activity and entry it tells of → Provenance.
    provenance: FxHashMap<(&'a str, usize), &'a Value>,
    wholes: Vec<Whole>,
    /// Entry of a patient → place in `wholes`.
    people: FxHashMap<usize, usize>,
    /// Entry of an encounter → place in `wholes` and among its visits.
    visits: FxHashMap<usize, (usize, usize)>,
    /// Place in `wholes` → day of the height taken.
    heights: FxHashMap<usize, (Option<Date>, &'a Value)>,
    /// Place in `wholes` and which answer → the observation taken.
    answers: FxHashMap<(usize, &'static str), &'a Value>,
    /// Resources that say that there is none of something, with place in `wholes` and of what.
    nones: Vec<(usize, &'static str, &'a Value)>,
    /// Patterns: entry of the visit → codes by entry of the condition.
    patterns: BTreeMap<usize, Vec<(usize, String)>>,
    blobs: Vec<(String, Vec<u8>)>,
}

/// Reads a bundle, ours or of another system: types `collection`, `searchset`, `transaction`, `batch`, `document`, `message` and the
/// like. Ids that are no `urn:uuid:` become UUIDs made from `fullUrl` or type and id, so that the same bundle gives the same ids again.
///
/// Of a bundle that is not ours, records without a Provenance of ours have version 1, are written when the resource was last updated
/// (else when the bundle was made, else 1970), and by nobody (`by` is empty): who takes them over fills that in. Hashes of signatures
/// are taken as they stand and not verified here.
///
/// # Errors
/// Where it is no Bundle, an element has another JSON type or form than FHIR gives it, two resources go by one name, or the bytes of an
/// attachment are not those that were sent. Each says where.
pub fn read(m: &Materia, bundle: &Value) -> Result<Incoming, FhirError> {
    let kind = peek(bundle, "resourceType");
    if kind != Some("Bundle") {
        let found = kind.map_or_else(|| type_name(bundle).to_owned(), |k| format!("a {k}"));
        return Err(FhirError::NotABundle { at: String::new(), found });
    }
    if peek(bundle, "type") == Some("history") {
        return Err(FhirError::History { at: "/type".into() });
    }
    let ours = bundle.get("meta").and_then(|meta| peek(meta, "source")) == Some(OURS);
    let mut reader = Reader {
        m,
        ours,
        at: Timestamp::UNIX_EPOCH,
        seen: Seen::default(),
        entries: Vec::new(),
        by_url: FxHashMap::default(),
        by_id: FxHashMap::default(),
        accounts: FxHashMap::default(),
        names: FullNames::new(),
        provenance: FxHashMap::default(),
        wholes: Vec::new(),
        people: FxHashMap::default(),
        visits: FxHashMap::default(),
        heights: FxHashMap::default(),
        answers: FxHashMap::default(),
        nones: Vec::new(),
        patterns: BTreeMap::new(),
        blobs: Vec::new(),
    };
    match reader.all(bundle) {
        Ok(()) => Ok(reader.done(bundle)),
        // Nothing above a resource is left out as a whole; were it so, the root would say why.
        Err(Stop::Left(why)) => {
            reader.seen.note(bundle, why);
            Ok(reader.done(bundle))
        }
        Err(Stop::Bad(fault)) => Err(located(bundle, *fault)),
    }
}

fn located(bundle: &Value, fault: Fault) -> FhirError {
    let mut at = String::new();
    if !place(bundle, fault.at, &mut at) {
        at.clear();
    }
    match fault.what {
        What::Type(wanted, found) => FhirError::Type { at, wanted, found },
        What::Value(wanted, found) => FhirError::Value { at, wanted, found },
        What::Bytes(why) => FhirError::Bytes { at, why },
        What::Twice(url) => FhirError::Twice { at, url },
    }
}

fn empty_whole(person: Kept<Person>) -> Whole {
    Whole {
        person,
        visits: Vec::new(),
        prescriptions: Vec::new(),
        dispensings: Vec::new(),
        measures: Vec::new(),
        readings: Vec::new(),
        appointments: Vec::new(),
        attachments: Vec::new(),
    }
}

impl<'a> Reader<'a> {
    fn all(&mut self, bundle: &'a Value) -> R<()> {
        self.head(bundle)?;
        self.index(bundle)?;
        self.each("Practitioner", Self::practitioner)?;
        self.index_provenance()?;
        self.each("Patient", Self::patient)?;
        self.each("Encounter", Self::visit)?;
        for at in 0..self.entries.len() {
            let kind = self.entries[at].kind;
            let read: fn(&mut Self, usize) -> R<()> = match kind {
                "Practitioner" | "Patient" | "Encounter" | "Provenance" => continue,
                "Observation" => Self::observation,
                "Condition" => Self::condition,
                "AllergyIntolerance" => Self::allergy,
                "MedicationStatement" => Self::statement,
                "MedicationRequest" => Self::request,
                "MedicationDispense" => Self::dispense,
                "Consent" => Self::consent,
                "Basic" => Self::measure,
                "Appointment" => Self::appointment,
                "Media" => Self::media,
                "DocumentReference" => Self::document,
                // Read where something refers to it.
                "Medication" => continue,
                _ => |r: &mut Self, at: usize| left(format!("resources of type {} are not read", r.entries[at].kind)),
            };
            self.one(at, read)?;
        }
        self.put_patterns()
    }

    fn head(&mut self, bundle: &Value) -> R<()> {
        for key in ["resourceType", "type", "total", "id"] {
            self.seen.used_field(bundle, key);
        }
        self.meta(bundle)?;
        if let Some(at) = self.seen.instant(bundle, "timestamp")? {
            self.at = at;
        }
        for link in list(bundle, "link")? {
            if peek(link, "relation") == Some("next") {
                self.seen.note(link, "this is one page of several; fetch the others too");
            } else {
                self.seen.deep(link);
            }
        }
        Ok(())
    }

    /// What a server writes about its own keeping of a resource.
    fn meta(&self, resource: &Value) -> R<()> {
        if let Some(meta) = object(resource, "meta")? {
            for key in ["versionId", "lastUpdated", "profile", "source"] {
                self.seen.deep_field(meta, key);
            }
        }
        Ok(())
    }

    fn index(&mut self, bundle: &'a Value) -> R<()> {
        for entry in list(bundle, "entry")? {
            for key in ["fullUrl", "search", "request", "response", "link"] {
                self.seen.deep_field(entry, key);
            }
            let Some(resource) = object(entry, "resource")? else {
                self.seen.note(entry, "there is no resource in it");
                continue;
            };
            let kind = match field(resource, "resourceType") {
                Some(Value::String(kind)) => kind.as_str(),
                other => return wrong(other.unwrap_or(resource), "an object with a `resourceType`"),
            };
            for key in ["resourceType", "id"] {
                self.seen.used_field(resource, key);
            }
            self.meta(resource)?;
            if let Some(text) = object(resource, "text")?.filter(|t| peek(t, "status") == Some("generated")) {
                self.seen.deep(text);
            }
            self.keep(entry, resource, kind)?;
        }
        Ok(())
    }

    fn keep(&mut self, entry: &'a Value, resource: &'a Value, kind: &'a str) -> R<()> {
        let number = self.entries.len();
        let full = match field(entry, "fullUrl") {
            Some(Value::String(url)) => Some(url.as_str()),
            Some(other) => return wrong(other, "a text"),
            None => None,
        };
        let key = peek(resource, "id").map(|id| format!("{kind}/{id}"));
        let twice = |url: &str| bad(entry, What::Twice(url.to_owned()));
        if let Some(url) = full
            && self.by_url.insert(url.to_owned(), number).is_some()
        {
            return twice(url);
        }
        if let Some(key) = &key {
            let same = self.by_id.entry(key.clone()).or_default();
            if full.is_none() && same.iter().any(|n| self.entries[*n].full.is_none()) {
                return twice(key);
            }
            same.push(number);
        }
        let own = self.seen.ext_text(resource, ext::ID)?.map(str::to_owned);
        let id = own.unwrap_or_else(|| match (full, &key) {
            (Some(url), _) => id_from(url),
            (None, Some(key)) => id_from(key),
            (None, None) => derived(&["resource", &resource.to_string()]),
        });
        self.entries.push(Entry { full, kind, resource, id });
        Ok(())
    }

    fn each(&mut self, kind: &str, read: fn(&mut Self, usize) -> R<()>) -> R<()> {
        for at in 0..self.entries.len() {
            if self.entries[at].kind == kind {
                self.one(at, read)?;
            }
        }
        Ok(())
    }

    /// Reads one resource; what stops at it leaves it out.
    fn one(&mut self, at: usize, read: fn(&mut Self, usize) -> R<()>) -> R<()> {
        let resource = self.entries[at].resource;
        let read = if modified(resource) {
            |_: &mut Self, _: usize| left("a modifier extension changes its meaning, and is not known here")
        } else {
            read
        };
        match read(self, at) {
            Err(Stop::Left(why)) => {
                self.seen.note(resource, why);
                Ok(())
            }
            other => other,
        }
    }

    fn done(mut self, bundle: &Value) -> Incoming {
        for (whole, what, r) in &self.nones {
            let p = &self.wholes[*whole].person.record;
            let some = match *what {
                "Condition" => p.conditions.as_ref().is_some_and(|l| !l.is_empty()),
                "AllergyIntolerance" => p.allergies.as_ref().is_some_and(|l| !l.is_empty()),
                _ => p.medicines.as_ref().is_some_and(|l| !l.is_empty()),
            };
            if some {
                self.seen.note(r, "it says that there is none, and others say what there is");
            }
        }
        for e in &self.entries {
            let why = match e.kind {
                "Provenance" | "Medication" => "nothing that was read goes with it",
                _ => continue,
            };
            let mut out = Vec::new();
            // Understood in part is understood; untouched but for its type and id is not.
            let touched = e.resource.as_object().into_iter().flatten().any(|(k, v)| {
                !["resourceType", "id", "meta", "text"].contains(&k.as_str())
                    && self.seen.gather(v, &mut String::new(), &mut out)
            });
            if !touched {
                self.seen.note(e.resource, why);
            }
        }
        let mut out = Vec::new();
        self.seen.gather(bundle, &mut String::new(), &mut out);
        if !self.ours {
            self.wholes.iter_mut().for_each(in_order);
        }
        Incoming { wholes: self.wholes, blobs: self.blobs, names: self.names, left: out }
    }

    // -----------------------------------------------------------------------------------------------------------------
    // References

    fn resolve(&self, from: usize, reference: &str) -> Option<usize> {
        let reference = reference.split_once("/_history/").map_or(reference, |(r, _)| r);
        if let Some(at) = self.by_url.get(reference) {
            return Some(*at);
        }
        // Relative to the server of what refers.
        let base = self.entries[from].full.and_then(|f| f.rsplitn(3, '/').nth(2));
        if let Some(at) = base.and_then(|b| self.by_url.get(&format!("{b}/{reference}"))) {
            return Some(*at);
        }
        match self.by_id.get(reference).map(Vec::as_slice) {
            Some([one]) => Some(*one),
            _ => None,
        }
    }

    /// What a reference points at, of the type that is wanted; marked where it is there.
    fn follow(&self, from: usize, r: Option<&Value>, kind: &str) -> R<Option<usize>> {
        let Some(r) = r else { return Ok(None) };
        let Some(to) = field(r, "reference") else { return Ok(None) };
        let Value::String(to) = to else { return wrong(to, "a text") };
        let at = self.resolve(from, to).filter(|at| self.entries[*at].kind == kind);
        if at.is_some() {
            self.seen.used_reference(r);
        }
        Ok(at)
    }

    /// The record id that a reference means. In our bundles it may lie outside.
    fn id_of(&self, from: usize, r: Option<&Value>, kind: &str) -> R<Option<String>> {
        if let Some(at) = self.follow(from, r, kind)? {
            return Ok(Some(self.entries[at].id.clone()));
        }
        let Some(r) = r else { return Ok(None) };
        let own = self.seen.ext_text(r, ext::ID)?;
        let id = own.or_else(|| peek(r, "reference").and_then(|u| u.strip_prefix("urn:uuid:")).filter(|u| is_uuid(u)));
        if let (true, Some(id)) = (self.ours, id) {
            self.seen.used_reference(r);
            return Ok(Some(id.to_owned()));
        }
        self.seen.note(r, "it is not in this bundle");
        Ok(None)
    }

    fn subject(&self, at: usize, key: &str) -> R<usize> {
        let r = object(self.entries[at].resource, key)?;
        match self.follow(at, r, "Patient")?.and_then(|p| self.people.get(&p)) {
            Some(whole) => Ok(*whole),
            None => left(format!("its `{key}` is no person who was read from this bundle")),
        }
    }

    /// The account of a reference to somebody who works there; their name where that is all there is.
    fn who(&self, from: usize, r: Option<&Value>) -> R<Option<String>> {
        if let Some(account) = self.follow(from, r, "Practitioner")?.and_then(|p| self.accounts.get(&p)) {
            return Ok(Some(account.clone()));
        }
        let name = r.map_or(Ok(None), |r| self.seen.text(r, "display"))?;
        Ok(name.map(str::to_owned))
    }

    fn practitioner(&mut self, at: usize) -> R<()> {
        let r = self.entries[at].resource;
        let name = self.human_names(r)?.into_iter().next();
        let mut account = None;
        for i in list(r, "identifier")? {
            if peek(i, "system") == Some(system::ACCOUNT) && account.is_none() {
                account = self.seen.text(i, "value")?.map(str::to_owned);
                self.seen.used_field(i, "system");
            }
        }
        let Some(account) = account.or_else(|| name.clone()) else { return left("it has neither name nor account") };
        if let Some(name) = name {
            self.names.insert(account.clone(), name);
        }
        self.accounts.insert(at, account);
        Ok(())
    }

    fn index_provenance(&mut self) -> R<()> {
        for at in 0..self.entries.len() {
            let Entry { kind: "Provenance", resource, .. } = self.entries[at] else { continue };
            if modified(resource) {
                continue;
            }
            let activity = object(resource, "activity")?.map_or(Ok(&[][..]), |a| list(a, "coding"))?;
            let Some(activity) = activity.iter().find(|c| peek(c, "system") == Some(system::ACTIVITY)) else {
                continue;
            };
            let (Some(activity), Some(target)) = (peek(activity, "code"), list(resource, "target")?.first()) else {
                continue;
            };
            if let Some(target) = peek(target, "reference").and_then(|t| self.resolve(at, t)) {
                self.provenance.entry((activity, target)).or_insert(resource);
            }
        }
        Ok(())
    }

    /// Who did this to a record, and when.
    fn did(&self, at: usize, activity: &'static str) -> R<Option<(String, Timestamp, &'a Value)>> {
        let Some(p) = self.provenance.get(&(activity, at)).copied() else { return Ok(None) };
        let Some(when) = self.seen.instant(p, "recorded")? else { return Ok(None) };
        self.seen.used_concept_field(p, "activity");
        if let Some(target) = list(p, "target")?.first() {
            self.seen.used_reference(target);
        }
        let who = match list(p, "agent")?.first() {
            Some(agent) => self.who(at, object(agent, "who")?)?,
            None => None,
        };
        Ok(Some((who.unwrap_or_default(), when, p)))
    }

    fn kept<B: Body>(&self, at: usize, person: &str, record: B) -> R<Kept<B>> {
        if let Some(fault) = record.fault() {
            return left(format!("it cannot be kept, as {fault}"));
        }
        let e = &self.entries[at];
        let meta = object(e.resource, "meta")?;
        let known = self.did(at, "version")?;
        let version = match &known {
            Some((_, _, p)) => {
                self.seen.ext(p, ext::VERSION).map_or(Ok(None), |v| self.seen.small(v, "valueUnsignedInt"))?
            }
            None => meta.and_then(|meta| peek(meta, "versionId")).and_then(|v| v.parse().ok()),
        };
        let (by, written) = match known {
            Some((by, when, _)) => (by, when),
            None => {
                let updated = meta.map_or(Ok(None), |meta| self.seen.instant(meta, "lastUpdated"))?;
                (String::new(), updated.unwrap_or(self.at))
            }
        };
        let version = version.unwrap_or(1);
        Ok(Kept { id: e.id.clone(), person: person.to_owned(), version, written, by, record })
    }

    // -----------------------------------------------------------------------------------------------------------------
    // People

    /// Names, the one in use first.
    fn human_names(&self, r: &Value) -> R<Vec<String>> {
        let mut all: Vec<(u8, String)> = Vec::new();
        for name in list(r, "name")? {
            let usage = peek(name, "use");
            let rank = match usage {
                Some("usual") => 0,
                Some("official") => 1,
                Some("old") => 3,
                _ => 2,
            };
            if let Some(text) = self.human_name(name)? {
                self.seen.used_field(name, "use");
                all.push((rank, text));
            }
        }
        // Ours are in order, and only the first says how it is used.
        all.sort_by_key(|(rank, _)| *rank);
        Ok(all.into_iter().map(|(_, n)| n).collect())
    }

    fn human_name(&self, name: &Value) -> R<Option<String>> {
        let mut parts: Vec<&str> = Vec::new();
        let mut taken = Vec::new();
        for key in ["prefix", "given", "family", "suffix"] {
            match field(name, key) {
                None => {}
                Some(Value::Array(list)) => {
                    for part in list.iter().filter(|p| !p.is_null()) {
                        let Value::String(part) = part else { return wrong(part, "a text") };
                        parts.push(part);
                    }
                    taken.push(key);
                }
                Some(Value::String(part)) => {
                    parts.push(part);
                    taken.push(key);
                }
                Some(other) => return wrong(other, "a text"),
            }
        }
        let text = self.seen.text(name, "text")?;
        let whole = match text {
            Some(text) if parts.iter().any(|p| !text.contains(p)) => return Ok(Some(text.to_owned())),
            Some(text) => text.to_owned(),
            None if parts.is_empty() => return Ok(None),
            None => joined(&parts, peek(name, "family")),
        };
        taken.iter().for_each(|key| self.seen.deep_field(name, key));
        Ok(Some(whole))
    }

    fn patient(&mut self, at: usize) -> R<()> {
        let r = self.entries[at].resource;
        let id = self.entries[at].id.clone();
        let s = &self.seen;
        let mut p = Person { names: self.human_names(r)?, ..Person::default() };
        if p.name().trim().is_empty() {
            s.note(&r["resourceType"], "it has no name, and its id stands in for one");
            p.names.insert(0, peek(r, "id").unwrap_or(&id).to_owned());
        }
        p.born = s.day(r, "birthDate")?;
        p.sex = match s.text(r, "gender")? {
            Some("female") => Some(Sex::Female),
            Some("male") => Some(Sex::Male),
            Some("other") => Some(Sex::Other),
            None | Some("unknown") => None,
            Some(other) => {
                return bad(&r["gender"], What::Value("`female`, `male`, `other` or `unknown`", other.to_owned()));
            }
        };
        for i in list(r, "identifier")? {
            if peek(i, "system") == Some(system::NUMBER) && p.number.is_empty() {
                s.used_field(i, "system");
                p.number = s.words(i, "value")?;
            }
        }
        for t in list(r, "telecom")? {
            let to = match peek(t, "system") {
                Some("phone" | "sms") => &mut p.phone,
                Some("email") => &mut p.email,
                _ => continue,
            };
            if to.is_empty() {
                s.used_field(t, "system");
                *to = s.words(t, "value")?;
            }
        }
        if let Some(a) = list(r, "address")?.first() {
            p.address = self.address(a)?;
        }
        if r.get("active") == Some(&Value::Bool(true)) {
            s.used_field(r, "active");
        }
        let diets = s.ext_texts(r, ext::DIET)?;
        let none = s.ext_yes(r, ext::NO_DIETS)?;
        p.diets = (!diets.is_empty() || none == Some(true)).then_some(diets);
        p.operation = self.operation(r)?;
        p.athlete = s.ext_yes(r, ext::ATHLETE)?;
        p.g6pd_deficient = s.ext_yes(r, ext::G6PD)?;
        p.note = s.ext_words(r, ext::NOTE)?;
        let kept = self.kept(at, &id, p)?;
        self.people.insert(at, self.wholes.len());
        self.wholes.push(empty_whole(kept));
        Ok(())
    }

    fn address(&self, a: &Value) -> R<String> {
        if let Some(text) = self.seen.text(a, "text")? {
            return Ok(text.to_owned());
        }
        let mut parts = Vec::new();
        if let Some(lines) = field(a, "line") {
            let Value::Array(all) = lines else { return wrong(lines, "a list") };
            for line in all.iter().filter(|l| !l.is_null()) {
                let Value::String(line) = line else { return wrong(line, "a text") };
                parts.push(line.as_str());
            }
            self.seen.deep(lines);
        }
        for key in ["district", "city", "state", "postalCode", "country"] {
            parts.extend(self.seen.text(a, key)?);
        }
        Ok(parts.join(", "))
    }

    fn operation(&self, r: &Value) -> R<Option<Operation>> {
        let Some(e) = self.seen.ext(r, ext::OPERATION) else { return Ok(None) };
        let Some(asked) = self.seen.ext_day(e, ext::ASKED)? else { return Ok(None) };
        let on = self.seen.ext_day(e, ext::ON)?;
        if on.is_none() && self.seen.ext_yes(e, ext::NO_OPERATION)? != Some(true) {
            self.seen.note(e, "it says neither the day of the operation nor that none is planned");
            return Ok(None);
        }
        Ok(Some(Operation { asked, on }))
    }

    fn observation(&mut self, at: usize) -> R<()> {
        let r = self.entries[at].resource;
        let whole = self.subject(at, "subject")?;
        match self.seen.text(r, "status")? {
            Some("final" | "amended" | "corrected") => {}
            other => return left(format!("its status is `{}`", other.unwrap_or("absent"))),
        }
        let code = object(r, "code")?;
        self.seen.categories(r, &["vital-signs", "exam", "social-history", "survey"])?;
        if let Some(finding) = self.seen.coded(code, system::FINDING)? {
            return self.finding(at, whole, finding);
        }
        if let Some(what) = self.seen.coded(code, system::OBSERVED)? {
            return self.observed(at, whole, what);
        }
        if let Some(measure) = self.seen.coded(code, system::MEASURE)? {
            return self.reading(at, whole, measure);
        }
        if self.seen.is_any(code, WEIGHT)? {
            return self.weight(at, whole);
        }
        if self.seen.is_any(code, HEIGHT)? {
            return self.height(at, whole);
        }
        if self.seen.is_any(code, PREGNANCY)? {
            return self.pregnancy(at, whole);
        }
        left("what it observes has no place in the record; add a measure for it by hand where it is wanted")
    }

    /// The day of an observation.
    fn observed_on(&self, r: &Value) -> R<Option<Date>> {
        if let Some(on) = self.seen.day(r, "effectiveDateTime")? {
            return Ok(Some(on));
        }
        if let Some(on) = self.seen.day(r, "effectiveInstant")? {
            return Ok(Some(on));
        }
        if let Some(period) = object(r, "effectivePeriod")? {
            return self.seen.day(period, "start");
        }
        if field(r, "effectiveDateTime").is_some() { Ok(None) } else { self.seen.day(r, "issued") }
    }

    fn needed_day(&self, r: &Value) -> R<Date> {
        self.observed_on(r)?.map_or_else(|| left("it does not say the day"), Ok)
    }

    /// The visit an observation belongs to; its day is the day of the visit.
    fn at_visit(&self, at: usize, whole: usize) -> R<usize> {
        let r = self.entries[at].resource;
        let visit = self.follow(at, object(r, "encounter")?, "Encounter")?.and_then(|e| self.visits.get(&e));
        let Some((of, visit)) = visit.filter(|(of, _)| *of == whole) else {
            return left("it belongs to no visit of this person that was read from this bundle");
        };
        let on = self.wholes[*of].visits[*visit].record.on;
        if field(r, "effectiveDateTime").is_some() && self.observed_on(r)? != Some(on) {
            self.seen.note(&r["effectiveDateTime"], "it is not the day of its visit");
        }
        Ok(*visit)
    }

    fn finding(&mut self, at: usize, whole: usize, finding: &str) -> R<()> {
        let visit = self.at_visit(at, whole)?;
        let there = self.seen.yes(self.entries[at].resource, "valueBoolean")?;
        let v = &mut self.wholes[whole].visits[visit].record;
        match there {
            Some(true) => v.findings.push(finding.to_owned()),
            Some(false) => v.absent.push(finding.to_owned()),
            None => return left("it does not say whether the finding is there"),
        }
        Ok(())
    }

    fn observed(&mut self, at: usize, whole: usize, what: &str) -> R<()> {
        let r = self.entries[at].resource;
        if what == "breast-feeding" {
            let Some(yes) = self.seen.yes(r, "valueBoolean")? else { return left("it gives no answer") };
            let answer = Answer { yes, asked: self.needed_day(r)? };
            return self.answer(whole, "breast-feeding", answer, r);
        }
        let visit = self.at_visit(at, whole)?;
        let text = self.seen.words(r, "valueString")?;
        let v = &mut self.wholes[whole].visits[visit].record;
        let to = match what {
            "tongue" => &mut v.tongue,
            "pulse" => &mut v.pulse,
            _ => return left("what it observes is not known here"),
        };
        if !to.is_empty() {
            return left("the visit has one already");
        }
        *to = text;
        Ok(())
    }

    fn weight(&mut self, at: usize, whole: usize) -> R<()> {
        let r = self.entries[at].resource;
        let on = self.needed_day(r)?;
        let kg = self.value(r, BODY_WEIGHTS)?;
        self.wholes[whole].person.record.weights.push(Weighing { on, kg });
        Ok(())
    }

    /// The value of an observation of the body, more than nothing.
    fn value(&self, r: &Value, units: &[(&str, i64, i64)]) -> R<Exact> {
        let n = object(r, "valueQuantity")?.map_or(Ok(None), |q| self.seen.quantity(q, units))?;
        match n {
            Some(n) if n.is_positive() => Ok(Exact(n)),
            Some(_) => left("its value is not more than nothing"),
            None => left("it has no exact value in a unit that is known here"),
        }
    }

    /// The record holds one height: the latest.
    fn height(&mut self, at: usize, whole: usize) -> R<()> {
        let r = self.entries[at].resource;
        let unknown = r.get("_effectiveDateTime").and_then(|e| extensions(e, DATA_ABSENT).next());
        if let Some(e) = unknown {
            self.seen.used_extension(e);
        }
        let on = self.observed_on(r)?;
        let cm = self.value(r, BODY_HEIGHTS)?;
        if field(r, "effectiveDateTime").is_some() {
            self.seen.note(&r["effectiveDateTime"], "the record does not hold the day of a height");
        }
        match self.heights.get(&whole) {
            Some((before, _)) if *before >= on => return left("the record holds one height, and another is later"),
            Some((_, other)) => self.seen.note(other, "the record holds one height, and another is later"),
            None => {}
        }
        self.heights.insert(whole, (on, r));
        self.wholes[whole].person.record.height_cm = Some(cm);
        Ok(())
    }

    fn pregnancy(&mut self, at: usize, whole: usize) -> R<()> {
        let r = self.entries[at].resource;
        let value = object(r, "valueCodeableConcept")?;
        let yes = if self.seen.is_any(value, PREGNANT)? {
            true
        } else if self.seen.is_any(value, NOT_PREGNANT)? {
            false
        } else {
            return left("it says neither pregnant nor not pregnant in a code that is known here");
        };
        let answer = Answer { yes, asked: self.needed_day(r)? };
        self.answer(whole, "pregnant", answer, r)
    }

    /// The record holds the latest answer.
    fn answer(&mut self, whole: usize, which: &'static str, answer: Answer, r: &'a Value) -> R<()> {
        let p = &mut self.wholes[whole].person.record;
        let to = if which == "pregnant" { &mut p.pregnant } else { &mut p.breast_feeding };
        let older = "the record holds one answer, and another is later";
        if to.is_some_and(|before| before.asked >= answer.asked) {
            return left(older);
        }
        *to = Some(answer);
        if let Some(before) = self.answers.insert((whole, which), r) {
            self.seen.note(before, older);
        }
        Ok(())
    }

    fn condition(&mut self, at: usize) -> R<()> {
        let r = self.entries[at].resource;
        let whole = self.subject(at, "subject")?;
        let state =
            self.seen.state(r, "clinicalStatus", &["active", "resolved", "recurrence", "relapse", "inactive"])?;
        if let Some(v @ ("refuted" | "entered-in-error")) = self.seen.state(r, "verificationStatus", &["confirmed"])? {
            return left(format!("it is {v}"));
        }
        self.seen.categories(r, &["problem-list-item"])?;
        let code = object(r, "code")?;
        if let Some(pattern) = self.seen.coded(code, system::PATTERN)? {
            self.seen.categories(r, &["encounter-diagnosis"])?;
            let visit = self.at_visit(at, whole)?;
            if self.seen.day(r, "recordedDate")? != Some(self.wholes[whole].visits[visit].record.on) {
                self.seen.note(field(r, "recordedDate").unwrap_or(&r["code"]), "it is not the day of its visit");
            }
            let encounter = self.follow(at, object(r, "encounter")?, "Encounter")?.unwrap_or(at);
            self.patterns.entry(encounter).or_default().push((at, pattern.to_owned()));
            return Ok(());
        }
        let none = self.seen.is_any(code, NO_PROBLEM)?;
        let conditions = &mut self.wholes[whole].person.record.conditions;
        if none {
            conditions.get_or_insert_default();
            self.nones.push((whole, "Condition", r));
            return Ok(());
        }
        let Some(name) = self.seen.name(code)?.map(str::to_owned) else { return left("it does not say which") };
        let until = self.seen.day(r, "abatementDateTime")?;
        let ended = r.as_object().is_some_and(|o| o.keys().any(|k| k.starts_with("abatement")))
            || matches!(state, Some("resolved" | "inactive" | "remission"));
        if ended && until.is_none() {
            return left("it is over since a day that is not said; enter it by hand with the day");
        }
        let since = self.seen.day(r, "onsetDateTime")?;
        conditions.get_or_insert_default().push(Condition { name, since, until });
        Ok(())
    }

    fn allergy(&mut self, at: usize) -> R<()> {
        let r = self.entries[at].resource;
        let whole = self.subject(at, "patient")?;
        let state = self.seen.state(r, "clinicalStatus", &["active"])?;
        if let Some(v @ ("refuted" | "entered-in-error")) = self.seen.state(r, "verificationStatus", &["confirmed"])? {
            return left(format!("it is {v}"));
        }
        if let Some(state @ ("inactive" | "resolved")) = state {
            return left(format!("it is {state}"));
        }
        let code = object(r, "code")?;
        let none = self.seen.is_any(code, NO_ALLERGY)?;
        let allergies = &mut self.wholes[whole].person.record.allergies;
        if none {
            allergies.get_or_insert_default();
            self.nones.push((whole, "AllergyIntolerance", r));
            return Ok(());
        }
        let Some(name) = self.seen.name(code)? else { return left("it does not say to what") };
        allergies.get_or_insert_default().push(name.to_owned());
        Ok(())
    }

    /// The concept of a medicine, or the Medication itself.
    fn medication(&self, at: usize) -> R<(Option<&'a Value>, Option<&'a Value>)> {
        let r = self.entries[at].resource;
        if let Some(concept) = object(r, "medicationCodeableConcept")? {
            return Ok((Some(concept), None));
        }
        let Some(reference) = object(r, "medicationReference")? else { return Ok((None, None)) };
        let found = match self.contained(r, reference)? {
            Some(found) => Some(found),
            None => self.follow(at, Some(reference), "Medication")?.map(|m| self.entries[m].resource),
        };
        match found {
            Some(m) if modified(m) => left("a modifier extension changes the meaning of its medicine"),
            Some(m) => Ok((object(m, "code")?, Some(m))),
            None => Ok((None, None)),
        }
    }

    /// A Medication that the resource contains, its type and id marked.
    fn contained(&self, r: &'a Value, reference: &Value) -> R<Option<&'a Value>> {
        let Some(id) = peek(reference, "reference").and_then(|r| r.strip_prefix('#')) else { return Ok(None) };
        let fits = |c: &&Value| peek(c, "id") == Some(id) && peek(c, "resourceType") == Some("Medication");
        let found = list(r, "contained")?.iter().find(fits);
        if let Some(found) = found {
            self.seen.used_field(reference, "reference");
            self.seen.used_field(found, "id");
            self.seen.used_field(found, "resourceType");
        }
        Ok(found)
    }

    fn statement(&mut self, at: usize) -> R<()> {
        let r = self.entries[at].resource;
        let whole = self.subject(at, "subject")?;
        let (concept, _) = self.medication(at)?;
        if self.seen.is_any(concept, NO_MEDICINE)? {
            self.seen.used_field(r, "status");
            self.wholes[whole].person.record.medicines.get_or_insert_default();
            self.nones.push((whole, "MedicationStatement", r));
            return Ok(());
        }
        let status = self.seen.text(r, "status")?.unwrap_or_default();
        let period = object(r, "effectivePeriod")?;
        let mut since = period.map_or(Ok(None), |p| self.seen.day(p, "start"))?;
        if since.is_none() {
            since = self.seen.day(r, "effectiveDateTime")?;
        }
        let until = period.map_or(Ok(None), |p| self.seen.day(p, "end"))?;
        match status {
            "active" | "completed" | "stopped" => {}
            "intended" | "on-hold" | "unknown" => {
                self.seen.note(&r["status"], "it was taken over as a medicine the person takes");
            }
            other => return left(format!("its status is `{other}`")),
        }
        let ended = matches!(status, "completed" | "stopped") || period.is_some_and(|p| field(p, "end").is_some());
        if ended && until.is_none() {
            return left("it was stopped on a day that is not said; enter it by hand with the day");
        }
        let Some(name) = self.seen.name(concept)?.map(str::to_owned) else {
            return left("it does not say which medicine");
        };
        let dose = list(r, "dosage")?.first().map_or(Ok(String::new()), |d| self.seen.words(d, "text"))?;
        let medicines = &mut self.wholes[whole].person.record.medicines;
        medicines.get_or_insert_default().push(Medicine { name, dose, since, until });
        Ok(())
    }

    fn consent(&mut self, at: usize) -> R<()> {
        let r = self.entries[at].resource;
        let whole = self.subject(at, "patient")?;
        let s = &self.seen;
        let status = s.text(r, "status")?.unwrap_or_default();
        let provision = object(r, "provision")?.map_or(Ok(None), |p| s.text(p, "type"))?;
        let given = match (status, provision) {
            ("active", None | Some("permit")) => true,
            ("active" | "rejected", _) => false,
            (other, _) => return left(format!("its status is `{other}`")),
        };
        let Some(on) = s.day(r, "dateTime")? else { return left("it does not say the day") };
        let Some(to) = s.name(list(r, "category")?.first())?.map(str::to_owned) else {
            return left("it does not say to what");
        };
        s.state(r, "scope", &[scope_of(&to)])?;
        if let Some(rule) = object(r, "policyRule")?.filter(|p| peek(p, "text") == Some(CONSENT_POLICY)) {
            s.used_concept(rule);
        }
        let note = s.ext_words(r, ext::NOTE)?;
        self.wholes[whole].person.record.consents.push(Consent { to, given, on, note });
        Ok(())
    }

    // -----------------------------------------------------------------------------------------------------------------
    // Visits

    fn visit(&mut self, at: usize) -> R<()> {
        let r = self.entries[at].resource;
        let whole = self.subject(at, "subject")?;
        let s = &self.seen;
        match s.text(r, "status")? {
            Some("finished") => {}
            Some("entered-in-error" | "cancelled" | "planned") => return left("it is a visit that did not take place"),
            _ => {
                s.note(field(r, "status").unwrap_or(&r["resourceType"]), "it was taken over as a visit that took place")
            }
        }
        if peek(&r["class"], "code") == Some("AMB") {
            s.used_coding(&r["class"]);
        }
        let Some(period) = object(r, "period")? else { return left("it does not say the day") };
        let Some(on) = s.day(period, "start")? else { return left("it does not say the day") };
        if field(period, "end").is_some() && s.day(period, "end")? != Some(on) {
            s.note(&period["end"], "the record holds one day for a visit");
        }
        let practitioner = match list(r, "participant")?.first() {
            Some(p) => self.who(at, object(p, "individual")?)?.unwrap_or_default(),
            None => String::new(),
        };
        let mut complaints = Vec::new();
        for reason in list(r, "reasonCode")? {
            complaints.extend(s.name(Some(reason))?);
        }
        let visit = Visit {
            on,
            practitioner,
            complaint: complaints.join("; "),
            notes: s.ext_words(r, ext::NOTES)?,
            findings: Vec::new(),
            absent: Vec::new(),
            tongue: String::new(),
            pulse: String::new(),
            patterns: Vec::new(),
            reasoning: s.ext_words(r, ext::REASONING)?,
            plan: s.ext_words(r, ext::PLAN)?,
            flags: s.ext_texts(r, ext::FLAG)?,
        };
        let person = self.wholes[whole].person.id.clone();
        let kept = self.kept(at, &person, visit)?;
        self.visits.insert(at, (whole, self.wholes[whole].visits.len()));
        self.wholes[whole].visits.push(kept);
        Ok(())
    }

    /// Puts the patterns into their visits, by their rank there, then as they stand in the bundle.
    fn put_patterns(&mut self) -> R<()> {
        for (encounter, mut found) in std::mem::take(&mut self.patterns) {
            let mut ranks: FxHashMap<usize, u64> = FxHashMap::default();
            for d in list(self.entries[encounter].resource, "diagnosis")? {
                let condition = self.follow(encounter, object(d, "condition")?, "Condition")?;
                if let Some(condition) = condition.filter(|c| found.iter().any(|(at, _)| at == c)) {
                    ranks.insert(condition, self.seen.count(d, "rank")?.unwrap_or(u64::MAX));
                }
            }
            found.sort_by_key(|(at, _)| ranks.get(at).copied().unwrap_or(u64::MAX));
            if let Some((whole, visit)) = self.visits.get(&encounter) {
                self.wholes[*whole].visits[*visit].record.patterns = found.into_iter().map(|(_, p)| p).collect();
            }
        }
        Ok(())
    }

    /// The visit that a record names.
    fn visit_of(&self, at: usize, r: Option<&Value>) -> R<Option<String>> {
        let id = self.id_of(at, r, "Encounter")?;
        let known = self.ours || self.wholes.iter().flat_map(|w| &w.visits).any(|v| Some(&v.id) == id.as_ref());
        if let (Some(r), Some(_), false) = (r, &id, known) {
            self.seen.note(r, "this visit was not read");
        }
        Ok(id.filter(|_| known))
    }

    // -----------------------------------------------------------------------------------------------------------------
    // Prescriptions and dispensings

    fn request(&mut self, at: usize) -> R<()> {
        let r = self.entries[at].resource;
        let whole = self.subject(at, "subject")?;
        let (concept, medication) = self.medication(at)?;
        let ingredients = medication.map_or(Ok(&[][..]), |m| list(m, "ingredient"))?;
        if !self.ours && ingredients.is_empty() && !self.is_herb(concept) {
            return self.ordered_medicine(at, whole, concept);
        }
        let status = peek(r, "status");
        if let Some("entered-in-error") = status {
            return left("it was entered in error");
        }
        let s = &self.seen;
        let mut items = Vec::new();
        for i in ingredients {
            items.push(self.rx_line(i)?);
        }
        if items.is_empty()
            && !self.ours
            && let Some(name) = s.name(concept)?
        {
            items.push(RxLine { name: name.to_owned(), substance: self.settled(name), ..RxLine::default() });
        }
        let Some(on) = s.day(r, "authoredOn")? else { return left("it does not say the day") };
        let (title, formula) = match medication {
            Some(_) => self.title(concept)?,
            None => (String::new(), None),
        };
        let (directions, doses) = self.dosage(r)?;
        let mut patterns = Vec::new();
        for reason in list(r, "reasonCode")? {
            patterns.extend(s.coded(Some(reason), system::PATTERN)?.map(str::to_owned));
        }
        let supply = object(r, "dispenseRequest")?.map_or(Ok(None), |d| object(d, "expectedSupplyDuration"))?;
        let form = medication.map_or(Ok(None), |m| object(m, "form"))?;
        let mut overrides = Vec::new();
        for e in extensions(r, ext::OVERRIDE) {
            overrides.push(self.set_aside(e)?);
        }
        let p = Prescription {
            on,
            visit: self.visit_of(at, object(r, "encounter")?)?,
            title,
            formula,
            items,
            form: self.form(form)?,
            granule_ratio: medication.map_or(Ok(None), |m| s.ext_number(m, ext::GRANULE_RATIO))?,
            days: s.days(supply)?,
            doses,
            directions,
            patterns,
            overrides,
            parent: self.id_of(at, object(r, "priorPrescription")?, "MedicationRequest")?,
            why: s.ext_words(r, ext::WHY_CHANGED)?,
            signed: self.signature(at)?,
            withdrawn: self.withdrawal(at)?,
        };
        if status == Some(request_status(&p)) {
            s.used_field(r, "status");
        } else if let Some(status) = field(r, "status") {
            s.note(status, format!("it was taken over as a prescription whose state is `{}`", p.state()));
        }
        if peek(r, "intent") == Some("order") {
            s.used_field(r, "intent");
        }
        let person = self.wholes[whole].person.id.clone();
        let kept = self.kept(at, &person, p)?;
        self.wholes[whole].prescriptions.push(kept);
        Ok(())
    }

    fn is_herb(&self, concept: Option<&Value>) -> bool {
        let mut names = concept.into_iter().flat_map(|c| {
            let codings = c.get("coding").and_then(Value::as_array).into_iter().flatten();
            peek(c, "text").into_iter().chain(codings.filter_map(|c| peek(c, "display")))
        });
        names.any(|n| self.m.names_a_substance(n) || self.m.names_a_formula(n))
    }

    /// A substance whose name is spelt right and means one thing; nothing is guessed.
    fn settled(&self, name: &str) -> Option<String> {
        use fangwright_materia::Resolution;
        match self.m.resolve(name) {
            Resolution::Known { substance, unrecorded_process: None, .. } => {
                Some(self.m.substance(substance).id.clone())
            }
            _ => None,
        }
    }

    /// What another prescriber ordered that is no herb: the safety check has to know of it, so it counts as taken.
    fn ordered_medicine(&mut self, at: usize, whole: usize, concept: Option<&Value>) -> R<()> {
        let r = self.entries[at].resource;
        match self.seen.text(r, "status")? {
            Some("active") => {}
            other => return left(format!("it orders a medicine, and its status is `{}`", other.unwrap_or("absent"))),
        }
        let Some(name) = self.seen.name(concept)?.map(str::to_owned) else {
            return left("it does not say which medicine");
        };
        let since = self.seen.day(r, "authoredOn")?;
        let dose = list(r, "dosageInstruction")?.first().map_or(Ok(String::new()), |d| self.seen.words(d, "text"))?;
        self.seen.note(&r["status"], "an order for a medicine was taken over as a medicine the person takes");
        let medicines = &mut self.wholes[whole].person.record.medicines;
        medicines.get_or_insert_default().push(Medicine { name, dose, since, until: None });
        Ok(())
    }

    fn title(&self, code: Option<&Value>) -> R<(String, Option<String>)> {
        let Some(code) = code else { return Ok(Default::default()) };
        let title = self.seen.words(code, "text")?;
        for coding in list(code, "coding")? {
            if peek(coding, "system") == Some(system::FORMULA)
                && let Some(id) = self.seen.text(coding, "code")?
            {
                self.seen.used_coding(coding);
                return Ok((title, Some(id.to_owned())));
            }
        }
        if title.is_empty() {
            return Ok((self.seen.name(Some(code))?.unwrap_or_default().to_owned(), None));
        }
        Ok((title, None))
    }

    fn form(&self, concept: Option<&Value>) -> R<Option<Form>> {
        let code = concept.map_or(Ok(&[][..]), |c| list(c, "coding"))?;
        let code = code.iter().find(|c| peek(c, "system") == Some(system::FORM)).and_then(|c| peek(c, "code"));
        let word = code.or_else(|| concept.and_then(|c| peek(c, "text")));
        let form = word.and_then(Form::from_word);
        if let (Some(concept), Some(_)) = (concept, form) {
            self.seen.used_concept(concept);
        }
        Ok(form)
    }

    fn dosage(&self, r: &Value) -> R<(String, Option<u32>)> {
        let Some(d) = list(r, "dosageInstruction")?.first() else { return Ok(Default::default()) };
        let text = self.seen.words(d, "text")?;
        let repeat = object(d, "timing")?.map_or(Ok(None), |t| object(t, "repeat"))?;
        let Some(repeat) = repeat else { return Ok((text, None)) };
        if peek(repeat, "periodUnit") != Some("d") || repeat.get("period").and_then(Value::as_f64) != Some(1.0) {
            return Ok((text, None));
        }
        let doses = self.seen.small(repeat, "frequency")?;
        if doses.is_some() {
            self.seen.used_field(repeat, "period");
            self.seen.used_field(repeat, "periodUnit");
        }
        Ok((text, doses))
    }

    fn rx_line(&self, i: &Value) -> R<RxLine> {
        let s = &self.seen;
        let mut pot = Vec::new();
        for e in extensions(i, ext::POT) {
            if let Some(p) = peek(e, "valueString").and_then(Pot::from_word) {
                s.used_extension(e);
                pot.push(p);
            }
        }
        let grams = s.grams(object(i, "strength")?, DAYS)?;
        let Some(item) = object(i, "itemCodeableConcept")? else {
            return left("an ingredient of it has no name");
        };
        let written = s.ext_text(item, ext::AS_WRITTEN)?;
        let code = list(item, "coding")?
            .iter()
            .find(|c| [Some(system::SUBSTANCE), Some(system::FORMULA)].contains(&peek(c, "system")));
        let substance = code.map_or(Ok(None), |c| s.text(c, "code"))?.map(str::to_owned);
        let name = match written {
            Some(written) => written,
            None => s.name(Some(item))?.unwrap_or_default(),
        };
        let substance = match substance {
            Some(id) => {
                s.used_concept(item);
                Some(id)
            }
            None if self.ours => None,
            None => self.settled(name),
        };
        Ok(RxLine { name: name.to_owned(), substance, grams, pot })
    }

    fn set_aside(&self, e: &Value) -> R<Override> {
        let s = &self.seen;
        s.used(&e["url"]);
        Ok(Override {
            finding: s.ext_words(e, ext::FINDING)?,
            reason: s.ext_words(e, ext::REASON)?,
            by: s.ext_text(e, ext::BY)?.map(str::to_owned),
            at: s.ext_text(e, ext::AT)?.map(str::to_owned),
            confirmed: s.ext_yes(e, ext::CONFIRMED)?.unwrap_or(false),
        })
    }

    fn signature(&self, at: usize) -> R<Option<Signature>> {
        let Some((by, when, p)) = self.did(at, "signature")? else { return Ok(None) };
        let s = &self.seen;
        let mut findings = Vec::new();
        for e in extensions(p, ext::SIGNED_FINDING) {
            s.used(&e["url"]);
            findings.push(SignedFinding {
                key: s.ext_words(e, ext::KEY)?,
                rule: s.ext_words(e, ext::RULE)?,
                severity: s.ext_words(e, ext::SEVERITY)?,
                title: s.ext_words(e, ext::TITLE)?,
                set_aside: s.ext_text(e, ext::SET_ASIDE)?.map(str::to_owned),
            });
        }
        let hash = s.ext_words(p, ext::SIGNATURE_HASH)?;
        Ok(Some(Signature { by, at: when, hash, findings, not_checked: s.ext_texts(p, ext::NOT_CHECKED)? }))
    }

    fn withdrawal(&self, at: usize) -> R<Option<Withdrawal>> {
        let Some((by, when, _)) = self.did(at, "withdrawal")? else { return Ok(None) };
        let reason = object(self.entries[at].resource, "statusReason")?;
        let why = self.seen.name(reason)?.unwrap_or_default().to_owned();
        Ok(Some(Withdrawal { by, at: when, why }))
    }

    fn dispense(&mut self, at: usize) -> R<()> {
        let r = self.entries[at].resource;
        let whole = self.subject(at, "subject")?;
        let s = &self.seen;
        match s.text(r, "status")? {
            Some("completed") => {}
            other => return left(format!("its status is `{}`", other.unwrap_or("absent"))),
        }
        let (_, Some(bag)) = self.medication(at)? else { return left("it does not hold its lines one by one") };
        let mut lines = Vec::new();
        for i in list(bag, "ingredient")? {
            let line = object(i, "itemReference")?.map_or(Ok(None), |reference| self.contained(r, reference))?;
            let Some(line) = line else { return left("it does not hold its lines one by one") };
            lines.push(self.dispensed(line)?);
        }
        let prescription = self.id_of(at, list(r, "authorizingPrescription")?.first(), "MedicationRequest")?;
        let Some(prescription) = prescription else { return left("it does not say for which prescription") };
        let Some(on) = s.day(r, "whenHandedOver")? else { return left("it does not say the day") };
        let Some(days) = s.days(object(r, "daysSupply")?)? else { return left("it does not say for how many days") };
        let mut number = String::new();
        for i in list(r, "identifier")?.iter().filter(|i| peek(i, "system") == Some(system::LABEL)).take(1) {
            s.used_field(i, "system");
            number = s.words(i, "value")?;
        }
        let dispenser = match list(r, "performer")?.first() {
            Some(p) => self.who(at, object(p, "actor")?)?.unwrap_or_default(),
            None => String::new(),
        };
        let mut remarks = Vec::new();
        for note in list(r, "note")? {
            remarks.extend(s.text(note, "text")?.map(str::to_owned));
        }
        let (_, doses) = self.dosage(r)?;
        let preparation = s.name(object(bag, "form")?)?.unwrap_or_default().to_owned();
        let price = s.ext_text(r, ext::PRICE)?.map(str::to_owned);
        let d = Dispensing { prescription, number, on, dispenser, preparation, days, doses, lines, remarks, price };
        let person = self.wholes[whole].person.id.clone();
        let kept = self.kept(at, &person, d)?;
        self.wholes[whole].dispensings.push(kept);
        Ok(())
    }

    fn dispensed(&self, line: &Value) -> R<DispensedLine> {
        let s = &self.seen;
        let code = object(line, "code")?;
        let substance = match s.coded(code, system::SUBSTANCE)? {
            Some(id) => Some(id.to_owned()),
            None => match s.coded(code, system::FORMULA)? {
                Some(id) => Some(id.to_owned()),
                None => s.name(code)?.and_then(|n| self.settled(n)),
            },
        };
        let Some(substance) = substance else { return left("a line of it is no substance that is known here") };
        let Some(grams) = s.grams(object(line, "amount")?, ONE)? else { return left("a line of it has no grams") };
        let mut product = String::new();
        for i in list(line, "identifier")?.iter().filter(|i| peek(i, "system") == Some(system::PRODUCT)).take(1) {
            s.used_field(i, "system");
            product = s.words(i, "value")?;
        }
        let lot = object(line, "batch")?.map_or(Ok(String::new()), |b| s.words(b, "lotNumber"))?;
        Ok(DispensedLine { substance, product, lot, grams })
    }

    // -----------------------------------------------------------------------------------------------------------------
    // Measures, appointments, attachments

    fn measure(&mut self, at: usize) -> R<()> {
        let r = self.entries[at].resource;
        let whole = self.subject(at, "subject")?;
        let code = object(r, "code")?;
        let name = code.map_or(Ok(None), |c| self.seen.text(c, "text"))?.unwrap_or_default().to_owned();
        if self.seen.coded(code, system::RECORD)? != Some("measure") {
            return left("it is of a kind that is not known here");
        }
        let s = &self.seen;
        let better = match s.ext_text(r, ext::BETTER)? {
            None | Some("less") => Better::Less,
            Some("more") => Better::More,
            Some(_) => return left("it does not say whether less or more is better"),
        };
        let m = Measure {
            name,
            least: s.ext_number(r, ext::LEAST)?.unwrap_or(Exact(Rational::ZERO)),
            most: s.ext_number(r, ext::MOST)?,
            unit: s.ext_words(r, ext::UNIT)?,
            better,
        };
        let person = self.wholes[whole].person.id.clone();
        let kept = self.kept(at, &person, m)?;
        self.wholes[whole].measures.push(kept);
        Ok(())
    }

    fn reading(&mut self, at: usize, whole: usize, measure: &str) -> R<()> {
        let r = self.entries[at].resource;
        let s = &self.seen;
        let on = self.needed_day(r)?;
        let Some(q) = object(r, "valueQuantity")? else { return left("it has no value") };
        let Some(value) = s.number(q, "value")? else { return left("it has no value") };
        if field(q, "comparator").is_some() {
            return left("its value is not exact");
        }
        s.used_field(q, "unit");
        let note = list(r, "note")?.first().map_or(Ok(String::new()), |n| s.words(n, "text"))?;
        let visit = self.visit_of(at, object(r, "encounter")?)?;
        let reading = Reading { measure: measure.to_owned(), on, value: Exact(value), visit, note };
        let person = self.wholes[whole].person.id.clone();
        let kept = self.kept(at, &person, reading)?;
        self.wholes[whole].readings.push(kept);
        Ok(())
    }

    fn appointment(&mut self, at: usize) -> R<()> {
        let r = self.entries[at].resource;
        let s = &self.seen;
        let (mut whole, mut with) = (None, String::new());
        for p in list(r, "participant")? {
            let actor = object(p, "actor")?;
            if let (None, Some(person)) = (whole, self.follow(at, actor, "Patient")?) {
                whole = self.people.get(&person).copied();
            } else if with.is_empty() {
                with = self.who(at, actor)?.unwrap_or_default();
            } else {
                continue;
            }
            if peek(p, "status") == Some("accepted") {
                s.used_field(p, "status");
            }
        }
        let Some(whole) = whole else { return left("nobody who takes part was read from this bundle") };
        let status = s.text(r, "status")?.unwrap_or_default();
        let standing = match (STANDINGS.iter().find(|(_, word)| *word == status), status) {
            (Some((standing, _)), _) => *standing,
            (None, "proposed" | "pending" | "waitlist") => Standing::Planned,
            (None, "arrived" | "checked-in") => Standing::Kept,
            (None, other) => return left(format!("its status is `{other}`")),
        };
        let (on, time) = self.start(r)?;
        let purpose = match s.coded(object(r, "appointmentType")?, system::PURPOSE)? {
            Some("call") => Purpose::Call,
            _ => Purpose::Visit,
        };
        let about = s.words(r, "description")?;
        let a = Appointment { on, at: time, purpose, with, about, standing };
        let person = self.wholes[whole].person.id.clone();
        let kept = self.kept(at, &person, a)?;
        self.wholes[whole].appointments.push(kept);
        Ok(())
    }

    /// Day and time of the day; those of another system by the clock of the place that it names.
    fn start(&self, r: &Value) -> R<(Date, Option<Time>)> {
        let s = &self.seen;
        if let Some(text) = s.text(r, "start")? {
            let local = text.get(..19).and_then(|t| t.parse::<DateTime>().ok());
            let (Some(local), true) = (local, text.parse::<Timestamp>().is_ok()) else {
                return bad(&r["start"], What::Value("an instant, such as `2026-02-28T09:30:00Z`", text.to_owned()));
            };
            s.note(&r["start"], "day and time were taken as they stand, without the zone");
            return Ok((local.date(), Some(local.time())));
        }
        let requested = list(r, "requestedPeriod")?.first();
        let requested = requested.map_or(Ok(None), |p| s.day(p, "start"))?;
        if let Some(start) = object(r, "_start")?
            && let Some(on) = s.ext_day(start, ext::ON)?
        {
            let absent = [Some(start), field(r, "_end")].into_iter().flatten();
            absent.filter_map(|e| extensions(e, DATA_ABSENT).next()).for_each(|e| s.used_extension(e));
            let Some(e) = s.ext(start, ext::AT) else { return Ok((on, None)) };
            let Some(at) = s.text(e, "valueTime")? else { return Ok((on, None)) };
            return match at.parse() {
                Ok(at) => Ok((on, Some(at))),
                Err(_) => bad(&e["valueTime"], What::Value("a time, such as `09:30:00`", at.to_owned())),
            };
        }
        requested.map_or_else(|| left("it does not say the day"), |on| Ok((on, None)))
    }

    fn media(&mut self, at: usize) -> R<()> {
        let r = self.entries[at].resource;
        let whole = self.subject(at, "subject")?;
        match self.seen.text(r, "status")? {
            Some("completed") => {}
            other => return left(format!("its status is `{}`", other.unwrap_or("absent"))),
        }
        let Some(on) = self.seen.day(r, "createdDateTime")? else { return left("it does not say the day") };
        let shows = match self.seen.coded(object(r, "bodySite")?, system::SHOWS)? {
            Some("tongue") => Shows::Tongue,
            Some("body") => Shows::Body,
            _ => Shows::Other,
        };
        let visit = self.visit_of(at, object(r, "encounter")?)?;
        self.attachment(at, whole, object(r, "content")?, on, shows, visit)
    }

    fn document(&mut self, at: usize) -> R<()> {
        let r = self.entries[at].resource;
        let whole = self.subject(at, "subject")?;
        match self.seen.text(r, "status")? {
            Some("current") => {}
            other => return left(format!("its status is `{}`", other.unwrap_or("absent"))),
        }
        let content = list(r, "content")?.first().map_or(Ok(None), |c| object(c, "attachment"))?;
        let mut on = content.map_or(Ok(None), |c| self.seen.day(c, "creation"))?;
        if on.is_none() {
            on = self.seen.day(r, "date")?;
        }
        let Some(on) = on else { return left("it does not say the day") };
        let visit = object(r, "context")?.map_or(Ok(None), |c| Ok(list(c, "encounter")?.first()))?;
        let visit = self.visit_of(at, visit)?;
        self.attachment(at, whole, content, on, Shows::Document, visit)
    }

    fn attachment(
        &mut self,
        at: usize,
        whole: usize,
        content: Option<&Value>,
        on: Date,
        shows: Shows,
        visit: Option<String>,
    ) -> R<()> {
        let Some(c) = content else { return left("there is nothing in it") };
        let s = &self.seen;
        let said = s.ext_text(c, ext::SHA256)?.map(str::to_owned);
        let large = s.ext_text(c, ext::BYTES)?.and_then(|b| b.parse().ok());
        let size = large.or(s.count(c, "size")?);
        let media = s.words(c, "contentType")?;
        let mut title = s.words(c, "title")?;
        if title.is_empty() {
            title = s.words(self.entries[at].resource, "description")?;
        }
        let bytes = match s.text(c, "data")? {
            None => None,
            Some(data) => {
                let data: String = data.chars().filter(|c| !c.is_ascii_whitespace()).collect();
                match STANDARD.decode(data) {
                    Ok(bytes) => Some(bytes),
                    Err(_) => return bad(&c["data"], What::Bytes("it is not base64")),
                }
            }
        };
        let hash = bytes.as_ref().map(|b| hex(&Sha256::digest(b)));
        if let (Some(hash), Some(said)) = (&hash, &said)
            && hash != said
        {
            return bad(field(c, "data").unwrap_or(c), What::Bytes("their SHA-256 is another"));
        }
        let length = bytes.as_ref().map(|b| b.len() as u64);
        if let (Some(length), Some(size)) = (length, size)
            && length != size
        {
            return bad(field(c, "data").unwrap_or(c), What::Bytes("there are more or fewer of them"));
        }
        let (Some(sha256), Some(length)) = (said.or(hash), length.or(size)) else {
            return left("its bytes are not in this bundle; fetch them and add them by hand");
        };
        let a = Attachment { on, shows, media, title, visit, bytes: length, sha256 };
        let person = self.wholes[whole].person.id.clone();
        let kept = self.kept(at, &person, a)?;
        if let Some(bytes) = bytes {
            self.blobs.push((kept.id.clone(), bytes));
        }
        self.wholes[whole].attachments.push(kept);
        Ok(())
    }
}

/// The id of a record from where it stands.
fn id_from(url: &str) -> String {
    match url.strip_prefix("urn:uuid:").and_then(|u| uuid::Uuid::try_parse(u).ok()) {
        Some(uuid) => uuid.to_string(),
        None => derived(&["fhir", url]),
    }
}

/// Whether anything in a resource has a modifier extension: then FHIR forbids to read it without knowing that.
fn modified(v: &Value) -> bool {
    match v {
        Value::Array(list) => list.iter().any(modified),
        Value::Object(map) => map.iter().any(|(k, v)| (k == "modifierExtension" && !v.is_null()) || modified(v)),
        _ => false,
    }
}

/// Parts of a name as one; in hanzi the family stands in front, without spaces.
fn joined(parts: &[&str], family: Option<&str>) -> String {
    if parts.iter().all(|p| p.chars().all(is_hanzi)) {
        let given = parts.iter().filter(|p| Some(**p) != family);
        return family.into_iter().chain(given.copied()).collect();
    }
    parts.join(" ")
}

fn in_order(w: &mut Whole) {
    fn sort<B: Body>(list: &mut [Kept<B>]) {
        list.sort_by_key(|k| k.record.day());
    }
    w.person.record.weights.sort_by_key(|w| w.on);
    sort(&mut w.visits);
    sort(&mut w.prescriptions);
    sort(&mut w.dispensings);
    sort(&mut w.readings);
    sort(&mut w.appointments);
    sort(&mut w.attachments);
}
