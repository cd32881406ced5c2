//! What the record holds: people, visits, prescriptions, dispensings, measures, appointments, attachments.
//!
//! A field that is absent was not asked; an empty list says that there is none. Nothing here is ever overwritten in the store: each
//! change is a further version, and a signed prescription takes no change at all.

use std::collections::BTreeMap;

use fangwright_materia::records::{Form, Pot};
use fangwright_safety::{Exact, Override};
use jiff::Timestamp;
use jiff::civil::{Date, Time};
use schemars::JsonSchema;
use serde::de::DeserializeOwned;
use serde::{Deserialize, Serialize};

use crate::search::{by_contact, lot_token};
use crate::words::{self, Knowledge};

/// The kinds of record.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Kind {
    /// A [`Person`].
    Person,
    /// A [`Visit`].
    Visit,
    /// A [`Prescription`].
    Prescription,
    /// A [`Dispensing`].
    Dispensing,
    /// A [`Measure`].
    Measure,
    /// A [`Reading`].
    Reading,
    /// An [`Appointment`].
    Appointment,
    /// An [`Attachment`].
    Attachment,
}

impl Kind {
    /// All kinds, parents before what names them.
    pub const ALL: [Kind; 8] = [
        Kind::Person,
        Kind::Visit,
        Kind::Prescription,
        Kind::Dispensing,
        Kind::Measure,
        Kind::Reading,
        Kind::Appointment,
        Kind::Attachment,
    ];

    /// Its word.
    pub fn word(self) -> &'static str {
        match self {
            Kind::Person => "person",
            Kind::Visit => "visit",
            Kind::Prescription => "prescription",
            Kind::Dispensing => "dispensing",
            Kind::Measure => "measure",
            Kind::Reading => "reading",
            Kind::Appointment => "appointment",
            Kind::Attachment => "attachment",
        }
    }

    /// The kind of a word.
    pub fn from_word(word: &str) -> Option<Kind> {
        Kind::ALL.into_iter().find(|k| k.word() == word)
    }
}

/// What every kind of record has.
pub trait Body: Serialize + DeserializeOwned + Clone + Send + 'static {
    /// Which kind.
    const KIND: Kind;

    /// The day it belongs to.
    fn day(&self) -> Option<Date>;

    /// A word for its state; empty where there is none.
    fn state(&self) -> &'static str {
        ""
    }

    /// The tokens that search finds it by.
    fn tokens(&self, k: &Knowledge<'_>) -> Vec<String>;

    /// What is wrong with it, in a sentence; nothing where it may be kept.
    fn fault(&self) -> Option<String> {
        None
    }
}

/// A record as it is kept.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Kept<B> {
    /// Its id.
    pub id: String,
    /// Whose it is: the id of a person.
    pub person: String,
    /// 1 for the first version.
    pub version: u32,
    /// When this version was written.
    #[schemars(with = "String", extend("format" = "date-time"))]
    pub written: Timestamp,
    /// By which account.
    pub by: String,
    /// What it says.
    pub record: B,
}

/// Sex as far as rules and reference values need it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Sex {
    /// Female.
    Female,
    /// Male.
    Male,
    /// Neither of these.
    Other,
}

impl Sex {
    /// Its word.
    pub fn word(self) -> &'static str {
        match self {
            Sex::Female => "female",
            Sex::Male => "male",
            Sex::Other => "other",
        }
    }
}

/// An answer and the day it was given.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Answer {
    /// Yes or no.
    pub yes: bool,
    /// The day it was asked.
    #[schemars(with = "String", extend("format" = "date"))]
    pub asked: Date,
}

/// A weight.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Weighing {
    /// The day.
    #[schemars(with = "String", extend("format" = "date"))]
    pub on: Date,
    /// Kilograms.
    pub kg: Exact,
}

/// A medicine a person takes or took.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Medicine {
    /// Generic name or class.
    pub name: String,
    /// How it is taken, in words.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub dose: String,
    /// Since when.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(with = "Option<String>", extend("format" = "date"))]
    pub since: Option<Date>,
    /// The last day, where it was stopped.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(with = "Option<String>", extend("format" = "date"))]
    pub until: Option<Date>,
}

/// A disease or state.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Condition {
    /// Its name, or the id of a condition the rules know.
    pub name: String,
    /// Since when.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(with = "Option<String>", extend("format" = "date"))]
    pub since: Option<Date>,
    /// The last day, where it is over.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(with = "Option<String>", extend("format" = "date"))]
    pub until: Option<Date>,
}

/// What a person agreed to, or did not.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Consent {
    /// To what: `treatment`, `research`, `teaching`, `reminders` …
    pub to: String,
    /// Whether it was given.
    pub given: bool,
    /// The day.
    #[schemars(with = "String", extend("format" = "date"))]
    pub on: Date,
    /// Remark.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub note: String,
}

/// A planned operation, or that none is planned.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Operation {
    /// The day it was asked.
    #[schemars(with = "String", extend("format" = "date"))]
    pub asked: Date,
    /// The day of the operation; absent where none is planned.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(with = "Option<String>", extend("format" = "date"))]
    pub on: Option<Date>,
}

/// A person who comes to the clinic.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, default)]
pub struct Person {
    /// Names in any script; the first is the one used.
    pub names: Vec<String>,
    /// Birth date.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schemars(with = "Option<String>", extend("format" = "date"))]
    pub born: Option<Date>,
    /// Sex.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub sex: Option<Sex>,
    /// Number in the clinic's own file.
    #[serde(skip_serializing_if = "String::is_empty")]
    pub number: String,
    /// Telephone.
    #[serde(skip_serializing_if = "String::is_empty")]
    pub phone: String,
    /// Electronic mail.
    #[serde(skip_serializing_if = "String::is_empty")]
    pub email: String,
    /// Address.
    #[serde(skip_serializing_if = "String::is_empty")]
    pub address: String,
    /// Whether pregnant.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub pregnant: Option<Answer>,
    /// Whether breast-feeding.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub breast_feeding: Option<Answer>,
    /// Weights over time.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub weights: Vec<Weighing>,
    /// Height in centimetres.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub height_cm: Option<Exact>,
    /// Allergies; an empty list says there are none.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub allergies: Option<Vec<String>>,
    /// Medicines; an empty list says there are none.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub medicines: Option<Vec<Medicine>>,
    /// Diseases and states; an empty list says there are none.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub conditions: Option<Vec<Condition>>,
    /// Diets and beliefs; an empty list says there are none.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub diets: Option<Vec<String>>,
    /// A planned operation.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub operation: Option<Operation>,
    /// Whether under anti-doping rules.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub athlete: Option<bool>,
    /// Whether G6PD is known to be deficient.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub g6pd_deficient: Option<bool>,
    /// Consents.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub consents: Vec<Consent>,
    /// Remark.
    #[serde(skip_serializing_if = "String::is_empty")]
    pub note: String,
}

impl Person {
    /// The name that is used.
    pub fn name(&self) -> &str {
        self.names.first().map_or("", String::as_str)
    }

    /// Whole years on a day.
    pub fn years(&self, on: Date) -> Option<i32> {
        let born = self.born?;
        let before = (on.month(), on.day()) < (born.month(), born.day());
        Some(i32::from(on.year()) - i32::from(born.year()) - i32::from(before))
    }
}

impl Body for Person {
    const KIND: Kind = Kind::Person;

    fn tokens(&self, k: &Knowledge<'_>) -> Vec<String> {
        // Who may see only how a person is reached finds them by that alone, never by what they suffer from.
        let reached = Person {
            names: self.names.clone(),
            born: self.born,
            number: self.number.clone(),
            phone: self.phone.clone(),
            email: self.email.clone(),
            address: self.address.clone(),
            ..Person::default()
        };
        let mut tokens = words::tokens_of_person(k, self);
        tokens.extend(words::tokens_of_person(k, &reached).iter().map(|t| by_contact(t)));
        tokens
    }

    fn day(&self) -> Option<Date> {
        self.born
    }

    fn fault(&self) -> Option<String> {
        let positive = |x: &Exact| x.0.is_positive();
        if self.name().trim().is_empty() {
            Some("a person has at least one name".into())
        } else if self.names.iter().any(|n| n.trim().is_empty()) {
            Some("one of the names is empty; leave it out".into())
        } else if !self.weights.iter().all(|w| positive(&w.kg)) {
            Some("a weight is more than nothing".into())
        } else if !self.height_cm.iter().all(positive) {
            Some("a height is more than nothing".into())
        } else {
            None
        }
    }
}

/// One visit.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Visit {
    /// The day.
    #[schemars(with = "String", extend("format" = "date"))]
    pub on: Date,
    /// Account of the practitioner.
    #[serde(default)]
    pub practitioner: String,
    /// The chief complaint, in the person's words.
    #[serde(default)]
    pub complaint: String,
    /// The story and what was found, as written.
    #[serde(default)]
    pub notes: String,
    /// Ids of findings that are there.
    #[serde(default)]
    pub findings: Vec<String>,
    /// Ids of findings that were asked for and are not there.
    #[serde(default)]
    pub absent: Vec<String>,
    /// The tongue, as seen.
    #[serde(default)]
    pub tongue: String,
    /// The pulse, as felt.
    #[serde(default)]
    pub pulse: String,
    /// Ids of patterns, the leading one first.
    #[serde(default)]
    pub patterns: Vec<String>,
    /// Why these patterns and this plan.
    #[serde(default)]
    pub reasoning: String,
    /// What is to be done.
    #[serde(default)]
    pub plan: String,
    /// Red flags that were raised, with what was done about each.
    #[serde(default)]
    pub flags: Vec<String>,
}

impl Body for Visit {
    const KIND: Kind = Kind::Visit;

    fn tokens(&self, k: &Knowledge<'_>) -> Vec<String> {
        words::tokens_of_visit(k, self, words::FreeText::Findings)
    }

    fn day(&self) -> Option<Date> {
        Some(self.on)
    }
}

/// A finding of the safety check that stood, or was set aside, when a prescription was signed.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct SignedFinding {
    /// Its key.
    pub key: String,
    /// Its rule.
    pub rule: String,
    /// Word of its severity.
    pub severity: String,
    /// Its title.
    pub title: String,
    /// The reason, where it was set aside.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub set_aside: Option<String>,
}

/// Who signed, when, and over what.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Signature {
    /// Account.
    pub by: String,
    /// When.
    #[schemars(with = "String", extend("format" = "date-time"))]
    pub at: Timestamp,
    /// SHA-256 of the prescription without signature and withdrawal, in hexadecimal.
    pub hash: String,
    /// What the safety check said on that day.
    #[serde(default)]
    pub findings: Vec<SignedFinding>,
    /// What could not be checked on that day.
    #[serde(default)]
    pub not_checked: Vec<String>,
}

/// That a signed prescription must not be dispensed any more.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Withdrawal {
    /// Account.
    pub by: String,
    /// When.
    #[schemars(with = "String", extend("format" = "date-time"))]
    pub at: Timestamp,
    /// Why.
    pub why: String,
}

/// One line of a prescription.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, default)]
pub struct RxLine {
    /// As written.
    pub name: String,
    /// Id of the substance; filled in where the name is settled.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub substance: Option<String>,
    /// Grams a day.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub grams: Option<Exact>,
    /// What is written on handling: `cook first`, `add last` …
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub pot: Vec<Pot>,
}

/// A prescription. Once signed it takes no change; another one names it as its parent.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Prescription {
    /// The day.
    #[schemars(with = "String", extend("format" = "date"))]
    pub on: Date,
    /// The visit it belongs to.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub visit: Option<String>,
    /// What it is called.
    #[serde(default)]
    pub title: String,
    /// Id of the formula it is built on.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub formula: Option<String>,
    /// Its lines: grams a day.
    pub items: Vec<RxLine>,
    /// The form; a decoction where absent.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub form: Option<Form>,
    /// For granules: grams of raw drug in one gram.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub granule_ratio: Option<Exact>,
    /// For how many days.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub days: Option<u32>,
    /// Doses a day.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub doses: Option<u32>,
    /// How it is taken, in words.
    #[serde(default)]
    pub directions: String,
    /// Ids of the patterns it is written for.
    #[serde(default)]
    pub patterns: Vec<String>,
    /// What the practitioner set aside, with reasons.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub overrides: Vec<Override>,
    /// The prescription it takes the place of.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub parent: Option<String>,
    /// Why it was changed from its parent.
    #[serde(default)]
    pub why: String,
    /// Set by signing.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub signed: Option<Signature>,
    /// Set by withdrawing.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub withdrawn: Option<Withdrawal>,
}

impl Prescription {
    /// `draft`, `signed` or `withdrawn`.
    pub fn state_word(&self) -> &'static str {
        match (&self.signed, &self.withdrawn) {
            (_, Some(_)) => "withdrawn",
            (Some(_), None) => "signed",
            (None, None) => "draft",
        }
    }
}

impl Body for Prescription {
    const KIND: Kind = Kind::Prescription;

    fn tokens(&self, k: &Knowledge<'_>) -> Vec<String> {
        words::tokens_of_prescription(k, self)
    }

    fn day(&self) -> Option<Date> {
        Some(self.on)
    }

    fn state(&self) -> &'static str {
        self.state_word()
    }

    fn fault(&self) -> Option<String> {
        if self.items.is_empty() {
            return Some("a prescription has at least one line".into());
        }
        if self.days == Some(0) || self.doses == Some(0) {
            return Some("days and doses a day are at least 1".into());
        }
        let bad = self.items.iter().find(|l| l.grams.is_some_and(|g| !g.0.is_positive()));
        bad.map(|l| format!("`{}` has a weight that is not more than nothing", l.name))
    }
}

/// One line of a dispensing: grams of one lot.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct DispensedLine {
    /// Id of the substance, or of the formula of a whole-formula product.
    pub substance: String,
    /// Product of the book of stock.
    #[serde(default)]
    pub product: String,
    /// Lot of the product.
    #[serde(default)]
    pub lot: String,
    /// Grams in all.
    pub grams: Exact,
}

/// What was handed out.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Dispensing {
    /// The prescription.
    pub prescription: String,
    /// The number on the label.
    pub number: String,
    /// The day.
    #[schemars(with = "String", extend("format" = "date"))]
    pub on: Date,
    /// Account of the dispenser.
    #[serde(default)]
    pub dispenser: String,
    /// The preparation.
    pub preparation: String,
    /// For how many days.
    pub days: u32,
    /// Doses a day.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub doses: Option<u32>,
    /// What went into the bag.
    pub lines: Vec<DispensedLine>,
    /// What was said about it.
    #[serde(default)]
    pub remarks: Vec<String>,
    /// The price, as printed.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub price: Option<String>,
}

impl Body for Dispensing {
    const KIND: Kind = Kind::Dispensing;

    fn tokens(&self, k: &Knowledge<'_>) -> Vec<String> {
        let lots = self.lines.iter().filter(|l| !l.lot.is_empty()).map(|l| lot_token(&l.product, &l.lot));
        let mut tokens = words::tokens_of_dispensing(k, self);
        tokens.extend(lots);
        tokens.sort();
        tokens.dedup();
        tokens
    }

    fn day(&self) -> Option<Date> {
        Some(self.on)
    }

    fn fault(&self) -> Option<String> {
        if self.lines.is_empty() { Some("a dispensing has at least one line".into()) } else { None }
    }
}

/// Which way a measure gets better.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Better {
    /// Less is better, as with pain.
    #[default]
    Less,
    /// More is better, as with hours of sleep.
    More,
}

/// Something that is measured again and again: a chief complaint from 0 to 10, or anything else.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Measure {
    /// In the person's own words.
    pub name: String,
    /// The least value.
    #[serde(default = "nought")]
    pub least: Exact,
    /// The greatest value; none where there is none.
    #[serde(default = "ten")]
    pub most: Option<Exact>,
    /// The unit; empty for a scale.
    #[serde(default)]
    pub unit: String,
    /// Which way is better.
    #[serde(default)]
    pub better: Better,
}

fn nought() -> Exact {
    Exact(fangwright_amount::Rational::ZERO)
}

#[allow(clippy::unnecessary_wraps, reason = "serde asks for the type of the field")]
fn ten() -> Option<Exact> {
    Some(Exact(fangwright_amount::Rational::from(10)))
}

impl Body for Measure {
    const KIND: Kind = Kind::Measure;

    fn tokens(&self, k: &Knowledge<'_>) -> Vec<String> {
        words::tokens_of_measure(k, self)
    }

    fn day(&self) -> Option<Date> {
        None
    }

    fn fault(&self) -> Option<String> {
        if self.name.trim().is_empty() {
            Some("a measure has a name".into())
        } else if self.most.is_some_and(|m| m.0 <= self.least.0) {
            Some("the greatest value of a measure is more than the least".into())
        } else {
            None
        }
    }
}

/// One value of a measure.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Reading {
    /// The measure.
    pub measure: String,
    /// The day.
    #[schemars(with = "String", extend("format" = "date"))]
    pub on: Date,
    /// The value.
    pub value: Exact,
    /// The visit it was taken at.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub visit: Option<String>,
    /// Remark.
    #[serde(default)]
    pub note: String,
}

impl Body for Reading {
    const KIND: Kind = Kind::Reading;

    fn tokens(&self, k: &Knowledge<'_>) -> Vec<String> {
        words::tokens_of_reading(k, self)
    }

    fn day(&self) -> Option<Date> {
        Some(self.on)
    }
}

/// What an appointment is for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Purpose {
    /// The person comes.
    Visit,
    /// The clinic calls.
    Call,
}

/// How an appointment stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Standing {
    /// It is still to come.
    #[default]
    Planned,
    /// It took place.
    Kept,
    /// The person did not come, or was not reached.
    Missed,
    /// It was called off.
    Off,
}

/// A day to come or to call.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Appointment {
    /// The day.
    #[schemars(with = "String", extend("format" = "date"))]
    pub on: Date,
    /// The time of the day.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(with = "Option<String>", regex(pattern = r"^([01]\d|2[0-3]):[0-5]\d(:[0-5]\d)?$"))]
    pub at: Option<Time>,
    /// For what.
    pub purpose: Purpose,
    /// With whom: an account.
    #[serde(default)]
    pub with: String,
    /// What about.
    #[serde(default)]
    pub about: String,
    /// How it stands.
    #[serde(default)]
    pub standing: Standing,
}

impl Body for Appointment {
    const KIND: Kind = Kind::Appointment;

    fn tokens(&self, k: &Knowledge<'_>) -> Vec<String> {
        words::tokens_of_appointment(k, self)
    }

    fn day(&self) -> Option<Date> {
        Some(self.on)
    }

    fn state(&self) -> &'static str {
        match self.standing {
            Standing::Planned => "planned",
            Standing::Kept => "kept",
            Standing::Missed => "missed",
            Standing::Off => "off",
        }
    }
}

/// What an attachment shows.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Shows {
    /// The tongue.
    Tongue,
    /// The skin, an eye, a face.
    Body,
    /// A letter, a report.
    Document,
    /// Anything else.
    Other,
}

impl Shows {
    /// Its word.
    pub fn word(self) -> &'static str {
        match self {
            Shows::Tongue => "tongue",
            Shows::Body => "body",
            Shows::Document => "document",
            Shows::Other => "other",
        }
    }
}

/// A picture or paper; its bytes are kept beside it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Attachment {
    /// The day it was taken.
    #[schemars(with = "String", extend("format" = "date"))]
    pub on: Date,
    /// What it shows.
    pub shows: Shows,
    /// Media type (RFC 6838), such as `image/jpeg`.
    pub media: String,
    /// What it is called.
    #[serde(default)]
    pub title: String,
    /// The visit it belongs to.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub visit: Option<String>,
    /// How many bytes.
    pub bytes: u64,
    /// SHA-256 of the bytes, in hexadecimal.
    pub sha256: String,
}

impl Body for Attachment {
    const KIND: Kind = Kind::Attachment;

    fn tokens(&self, k: &Knowledge<'_>) -> Vec<String> {
        words::tokens_of_attachment(k, self)
    }

    fn day(&self) -> Option<Date> {
        Some(self.on)
    }

    fn state(&self) -> &'static str {
        self.shows.word()
    }
}

/// All that is kept of one person.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Whole {
    /// The person.
    pub person: Kept<Person>,
    /// Visits, the earliest first; the same for all that follows.
    pub visits: Vec<Kept<Visit>>,
    /// Prescriptions.
    pub prescriptions: Vec<Kept<Prescription>>,
    /// Dispensings.
    pub dispensings: Vec<Kept<Dispensing>>,
    /// Measures.
    pub measures: Vec<Kept<Measure>>,
    /// Their values.
    pub readings: Vec<Kept<Reading>>,
    /// Appointments.
    pub appointments: Vec<Kept<Appointment>>,
    /// Attachments, without their bytes.
    pub attachments: Vec<Kept<Attachment>>,
}

/// Full names of accounts, for what is printed or given away.
pub type FullNames = BTreeMap<String, String>;
