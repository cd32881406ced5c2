//! The shapes of `--json`. Each has a name and a version: `fangwright/trace/1`.

use fangwright_amount::{Amount, Convention, Rational};
use fangwright_clinic::accounts::Account;
use fangwright_clinic::backup::{Made, Restored};
use fangwright_clinic::erase::Erased;
use fangwright_clinic::exchange::TakenIn;
use fangwright_clinic::model::{Appointment, Kept, Whole};
use fangwright_clinic::research::Summary;
use fangwright_clinic::search::{Hit, Taker};
use fangwright_clinic::verify::Verdict;
use fangwright_dispense::{Bill, Entry, LotState, Pick, Plan, Reorder};
use fangwright_formula::{Blend, Diagnostic, Difference, Family, Prescription, Profile, Trace};
use fangwright_materia::records::{Formula, Rule, Substance};
use fangwright_materia::{FormulaIx, Materia, Resolution, SubstanceIx};
use fangwright_pattern::{Judgement, Modified, Raised};
use fangwright_safety::{CaseInput, Patient, Report};
use schemars::{JsonSchema, Schema, schema_for};
use serde::Serialize;

use crate::cautions;

/// The frame around every answer.
#[derive(Serialize, JsonSchema)]
pub struct Envelope<T> {
    /// Name and version of the shape: `fangwright/<command>/<version>`.
    pub schema: String,
    /// The usual caution.
    pub caution: String,
    /// What is wrong in the practitioner's own folder.
    pub own_data_problems: Vec<OwnProblem>,
    /// Ids of records in force that are the practitioner's own: they may stand anywhere in the answer.
    pub own_records: Vec<String>,
    /// The answer.
    pub result: T,
}

/// A mistake in the practitioner's own folder.
#[derive(Serialize, JsonSchema)]
pub struct OwnProblem {
    /// File.
    pub file: String,
    /// Line, from 1.
    pub line: u32,
    /// Column, from 1.
    pub column: u32,
    /// What is wrong.
    pub what: String,
    /// How to mend it.
    pub mend: String,
}

/// `read`.
#[derive(Serialize, JsonSchema)]
pub struct ReadAnswer {
    /// The input, as read.
    pub input: String,
    /// What it says.
    pub prescription: Prescription,
}

/// `trace`.
#[derive(Serialize, JsonSchema)]
pub struct TraceAnswer {
    /// The input, as read.
    pub input: String,
    /// What it says.
    pub prescription: Prescription,
    /// Where it comes from; none if the input could not be traced.
    pub trace: Option<Trace>,
    /// The difference from the first of the best sums.
    pub difference: Option<Difference>,
}

/// `check`.
#[derive(Serialize, JsonSchema)]
pub struct CheckAnswer {
    /// The case with its overrides: given back with `--case`, it is checked again.
    pub case: CaseInput<'static>,
    /// What was found.
    pub report: Report,
    /// Whether a finding of the upper two severities stands.
    pub stands: bool,
}

/// `demo`: a prescription traced, and checked where it has a patient.
#[derive(Serialize, JsonSchema)]
pub struct DemoAnswer {
    /// Where it comes from.
    #[serde(flatten)]
    pub trace: TraceAnswer,
    /// What is known of the patient.
    pub patient: Option<Patient>,
    /// What the check found.
    pub report: Option<Report>,
    /// Patterns and formulas, where findings are given.
    pub judgement: Option<Judgement>,
    /// The change of the prescription for what is needed.
    pub modified: Option<Modified>,
    /// How it is made up.
    pub plan: Option<Plan>,
}

/// `clinic`: what was asked for; the rest is absent.
#[derive(Default, Serialize, JsonSchema)]
pub struct ClinicAnswer {
    /// Accounts.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub accounts: Option<Vec<Account>>,
    /// Records that were found.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub hits: Option<Vec<Hit>>,
    /// The whole record of a person.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub whole: Option<Box<Whole>>,
    /// Who had a lot, or takes a substance.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub takers: Option<Vec<Taker>>,
    /// Who is due.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub due: Option<Vec<Kept<Appointment>>>,
    /// Links of the chain, each in a line.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub links: Option<Vec<String>>,
    /// Whether all is as it was written.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub verdict: Option<Verdict>,
    /// The backup that was made.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub backup: Option<Made>,
    /// The public key to seal backups for.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub public_key: Option<String>,
    /// What a restore did.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub restored: Option<Restored>,
    /// What an import did.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub taken_in: Option<TakenIn>,
    /// What is in the tables for research.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub research: Option<Summary>,
    /// What an erasure did.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub erased: Option<Erased>,
    /// How many records, or people.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub records: Option<u64>,
}

/// `differentiate`.
#[derive(Serialize, JsonSchema)]
pub struct DifferentiateAnswer {
    /// The input, as read.
    pub input: String,
    /// Red flags, before everything else.
    pub flags: Vec<Raised>,
    /// Ids of the findings that were read.
    pub present: Vec<String>,
    /// Patterns, sets, formulas and questions.
    pub judgement: Judgement,
}

/// `modify`.
#[derive(Serialize, JsonSchema)]
pub struct ModifyAnswer {
    /// The base, where it is a formula we hold.
    pub base: Option<FormulaIx>,
    /// Patterns it was fitted to.
    pub patterns: Vec<String>,
    /// Red flags, before everything else.
    pub flags: Vec<Raised>,
    /// The proposals.
    pub modified: Modified,
}

/// A page that was written.
#[derive(Serialize, JsonSchema)]
pub struct Printed {
    /// prescription, worksheet, label or sheet.
    pub page: String,
    /// Where.
    pub file: String,
    /// How large.
    pub bytes: usize,
}

/// `dispense`.
#[derive(Serialize, JsonSchema)]
pub struct DispenseAnswer {
    /// The case as it was checked; can be given back.
    pub case: CaseInput<'static>,
    /// The safety check.
    pub report: Report,
    /// Whether a finding of the upper two severities stands; then there is no plan.
    pub stands: bool,
    /// The plan.
    pub plan: Option<Plan>,
    /// The bill, where prices were given.
    pub bill: Option<Bill>,
    /// Dispensing number.
    pub number: Option<String>,
    /// Pages that were written.
    pub pages: Vec<Printed>,
}

/// `stock`: what was asked, or the entry that was made.
#[derive(Serialize, JsonSchema)]
pub struct StockAnswer {
    /// Entries that were made.
    pub made: Vec<Entry>,
    /// Lots.
    pub lots: Vec<LotState>,
    /// What has to be ordered.
    pub reorder: Vec<Reorder>,
    /// Who had a lot: dispensing number, person, day, grams.
    pub had: Vec<Had>,
    /// Lots in a bag.
    pub bag: Vec<Pick>,
    /// Stocktaking: lots whose count differs, with the grams in the book.
    pub differ: Vec<(Pick, Rational)>,
    /// Lots that should be there and were not counted.
    pub missed: Vec<LotState>,
}

/// Somebody who had a lot.
#[derive(Serialize, JsonSchema)]
pub struct Had {
    /// Dispensing number.
    pub dispensing: String,
    /// The person; none where it is only set aside.
    pub patient: Option<String>,
    /// The day.
    #[schemars(with = "Option<String>")]
    pub day: Option<jiff::civil::Date>,
    /// Grams of the lot.
    pub grams: Rational,
}

/// `rules`.
#[derive(Serialize, JsonSchema)]
pub struct RulesAnswer {
    /// How many rules there are in all.
    pub held: usize,
    /// How many the clinic has switched off.
    pub switched_off: usize,
    /// Those asked for.
    pub rules: Vec<RuleShown>,
}

/// One rule with the substances it comes to.
#[derive(Serialize, JsonSchema)]
pub struct RuleShown {
    /// The record.
    pub rule: Rule,
    /// Substances it speaks of, processed forms counted in.
    pub substances: Vec<SubstanceIx>,
    /// For a pair, those of the other side.
    pub with: Vec<SubstanceIx>,
}

/// `check --batch`.
#[derive(Serialize, JsonSchema)]
pub struct BatchAnswer {
    /// Prescriptions checked.
    pub checked: u64,
    /// Lines that could not be read.
    pub unreadable: u64,
    /// Prescriptions in which a finding of the upper two severities stands.
    pub standing: u64,
    /// How often each rule fired, by its id; the most frequent first.
    pub fired: Vec<(String, u64)>,
    /// The first lines that could not be read: number and reason.
    pub problems: Vec<(u64, String)>,
    /// Seconds it took.
    pub seconds: f64,
}

/// `compare`.
#[derive(Serialize, JsonSchema)]
pub struct CompareAnswer {
    /// The difference.
    pub difference: Difference,
}

/// `blend`.
#[derive(Serialize, JsonSchema)]
pub struct BlendAnswer {
    /// The expression.
    pub expression: String,
    /// The sum.
    pub blend: Blend,
    /// Where the sum itself traces to.
    pub trace: Option<Trace>,
}

/// `family`.
#[derive(Serialize, JsonSchema)]
pub struct FamilyAnswer {
    /// The family.
    pub family: Family,
    /// The picture.
    pub svg: String,
}

/// `name`.
#[derive(Serialize, JsonSchema)]
pub struct NameAnswer {
    /// One answer a name, in order.
    pub names: Vec<Named>,
}

/// One name and what it means.
#[derive(Serialize, JsonSchema)]
pub struct Named {
    /// As given.
    pub name: String,
    /// What it means.
    pub means: Resolution<SubstanceIx>,
}

/// `show`.
#[derive(Serialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum ShowAnswer {
    /// A substance.
    Substance(Substance),
    /// A formula, with its profile.
    Formula {
        /// The record.
        formula: Formula,
        /// Its profile, a teaching aid.
        profile: Option<Profile>,
    },
}

/// `measure`.
#[derive(Serialize, JsonSchema)]
pub struct MeasureAnswer {
    /// The amount asked about, if one was.
    pub amount: Option<Amount>,
    /// Its weight by each convention.
    pub weights: Vec<Weighed>,
}

/// An amount by one convention.
#[derive(Serialize, JsonSchema)]
pub struct Weighed {
    /// The convention.
    pub convention: Convention,
    /// Grams, where the convention can say.
    pub grams: Option<Rational>,
    /// Why there is no weight.
    pub problem: Option<String>,
}

/// `holdings`.
#[derive(Serialize, JsonSchema)]
pub struct HoldingsAnswer {
    /// One line a kind of record.
    pub kinds: Vec<Holding>,
}

/// How many records of one kind there are, and what they rest on.
#[derive(Serialize, JsonSchema, Default)]
pub struct Holding {
    /// Kind of record.
    pub kind: String,
    /// How many.
    pub records: usize,
    /// How many of them are the practitioner's own.
    pub own: usize,
    /// How many have at least one value looked up in a cited source.
    pub on_source: usize,
    /// How many rest on memory alone.
    pub on_memory: usize,
    /// How many went through a second, independent pass.
    pub second_pass: usize,
    /// How many of those the second pass mended.
    pub mended: usize,
}

/// `patterns`.
#[derive(Serialize, JsonSchema)]
pub struct PatternsAnswer {
    /// Id, Chinese and English term of each.
    pub patterns: Vec<(String, String, String)>,
}

/// A failure, in the same frame.
#[derive(Serialize, JsonSchema)]
pub struct ErrorAnswer {
    /// What is wrong and what to do.
    pub error: String,
    /// Where in the input, if at one place.
    pub diagnostic: Option<Diagnostic>,
}

/// The schemas of all commands.
pub fn schemas() -> Vec<(&'static str, Schema)> {
    vec![
        ("read", schema_for!(Envelope<ReadAnswer>)),
        ("trace", schema_for!(Envelope<TraceAnswer>)),
        ("check", schema_for!(Envelope<CheckAnswer>)),
        ("differentiate", schema_for!(Envelope<DifferentiateAnswer>)),
        ("modify", schema_for!(Envelope<ModifyAnswer>)),
        ("dispense", schema_for!(Envelope<DispenseAnswer>)),
        ("stock", schema_for!(Envelope<StockAnswer>)),
        ("clinic", schema_for!(Envelope<ClinicAnswer>)),
        ("rules", schema_for!(Envelope<RulesAnswer>)),
        ("batch", schema_for!(Envelope<BatchAnswer>)),
        ("compare", schema_for!(Envelope<CompareAnswer>)),
        ("blend", schema_for!(Envelope<BlendAnswer>)),
        ("family", schema_for!(Envelope<FamilyAnswer>)),
        ("name", schema_for!(Envelope<NameAnswer>)),
        ("show", schema_for!(Envelope<ShowAnswer>)),
        ("measure", schema_for!(Envelope<MeasureAnswer>)),
        ("holdings", schema_for!(Envelope<HoldingsAnswer>)),
        ("patterns", schema_for!(Envelope<PatternsAnswer>)),
        ("demo", schema_for!(Envelope<Vec<DemoAnswer>>)),
        ("error", schema_for!(Envelope<ErrorAnswer>)),
    ]
}

/// Prints an answer as JSON.
pub fn print<T: Serialize>(m: &Materia, own: &[fangwright_materia::records::Problem], command: &str, result: T) {
    let envelope = Envelope {
        schema: format!("fangwright/{command}/1"),
        caution: if matches!(command, "check" | "batch" | "differentiate" | "modify" | "dispense") {
            cautions::CHECK
        } else {
            cautions::SHORT
        }
        .to_string(),
        own_data_problems: own
            .iter()
            .map(|p| OwnProblem {
                file: p.file.clone(),
                line: p.line,
                column: p.column,
                what: p.what.clone(),
                mend: p.mend.clone(),
            })
            .collect(),
        own_records: m
            .substances()
            .filter(|(_, s)| s.place.own)
            .map(|(_, s)| s.id.clone())
            .chain(m.formulas().filter(|(_, f)| f.place.own).map(|(_, f)| f.id.clone()))
            .collect(),
        result,
    };
    match serde_json::to_value(envelope) {
        Ok(mut value) => {
            m.spell_ids(&mut value);
            println!("{value:#}");
        }
        Err(error) => eprintln!("the answer cannot be written as JSON: {error}"),
    }
}
