//! Cases from outside that the checker must find or must leave alone, each with its source: safety.toml.

use std::collections::BTreeMap;

use fangwright_checks::facts;
use fangwright_formula::{Conventions, read};
use fangwright_materia::Materia;
use fangwright_materia::records::{Form, Severity};
use fangwright_safety::{Case, Facts, Finding, Patient, Report, Rulebook};
use serde::Deserialize;

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Cases {
    case: Vec<Known>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Known {
    id: String,
    prescription: String,
    #[serde(default)]
    patient: Said,
    #[serde(default)]
    expect: Vec<Wanted>,
    #[serde(default)]
    reject: Vec<Wanted>,
    source: String,
    how: String,
    /// Why our data judges otherwise, where it does.
    differs: Option<String>,
}

#[derive(Deserialize, Default)]
#[serde(deny_unknown_fields, default)]
struct Said {
    pregnant: Option<bool>,
    breast_feeding: Option<bool>,
    medicines: Option<Vec<String>>,
    conditions: Option<Vec<String>>,
    allergies: Option<Vec<String>>,
    diets: Option<Vec<String>>,
    age: Option<String>,
    sex: Option<String>,
    laws: Vec<String>,
    form: Option<String>,
    days: Option<u32>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Wanted {
    topic: String,
    #[serde(default)]
    substances: Vec<String>,
    at_least: Option<String>,
}

#[derive(Deserialize)]
struct Hazards {
    /// Rule id → why it is a true hazard that a standard formula carries.
    hazards: BTreeMap<String, String>,
}

/// A healthy man of forty, of whom everything is known.
fn healthy() -> Patient {
    Patient {
        age: Some("40".into()),
        sex: Some("male".into()),
        conditions: Some(Vec::new()),
        medicines: Some(Vec::new()),
        allergies: Some(Vec::new()),
        diets: Some(Vec::new()),
        no_surgery: true,
        g6pd_deficient: Some(false),
        ..Patient::default()
    }
}

#[test]
fn standard_formulas_show_true_hazards_only() {
    let m = Materia::embedded();
    let book = Rulebook::new(&m);
    let facts_of = Facts::new(&book, &healthy()).expect("the patient is well-formed");
    let known = facts::<Hazards>("safety-hazards.toml").hazards;
    let mut met: BTreeMap<String, Vec<String>> = BTreeMap::new();
    for (ix, formula) in m.formulas() {
        let mut case = Case::of_formula(&m, ix);
        case.days = Some(7);
        let report = book.check(&m, &case, &facts_of, &[]);
        for f in report.all().into_iter().filter(|f| f.severity <= Severity::Grave) {
            met.entry(f.rule.clone()).or_default().push(formula.id.clone());
        }
    }
    let alarm: Vec<_> = met.iter().filter(|(rule, _)| !known.contains_key(*rule)).collect();
    assert!(alarm.is_empty(), "of the upper two severities, and not among the true hazards: {alarm:#?}");
    let idle: Vec<_> = known.keys().filter(|rule| !met.contains_key(*rule)).collect();
    assert!(idle.is_empty(), "no formula shows these any more: {idle:?}");
}

fn check(m: &Materia, book: &Rulebook, known: &Known) -> Report {
    let rx = read(m, &known.prescription);
    let mut case = Case::of_prescription(m, &rx, &Conventions::usual(m));
    let said = &known.patient;
    case.form = said.form.as_deref().map(|f| Form::from_word(f).unwrap_or_else(|| panic!("{}: form {f}", known.id)));
    case.days = said.days.or(case.days);
    let patient = Patient {
        pregnant: said.pregnant,
        breast_feeding: said.breast_feeding,
        medicines: said.medicines.clone(),
        conditions: said.conditions.clone(),
        allergies: said.allergies.clone(),
        diets: said.diets.clone(),
        age: said.age.clone(),
        sex: said.sex.clone(),
        laws: said.laws.clone(),
        ..Patient::default()
    };
    let facts = Facts::new(book, &patient).unwrap_or_else(|e| panic!("{}: {e}", known.id));
    book.check(m, &case, &facts, &[])
}

/// Whether a finding is the one that is wanted, in topic and substances.
fn is(m: &Materia, f: &Finding, wanted: &Wanted) -> bool {
    f.topic == wanted.topic
        && wanted.substances.iter().all(|s| f.fires.iter().any(|x| m.substance(x.substance).id == *s))
}

fn fails(m: &Materia, report: &Report, known: &Known) -> Vec<String> {
    let all = report.all();
    let mut wrong = Vec::new();
    for wanted in &known.expect {
        let least = wanted.at_least.as_deref().and_then(Severity::from_word).unwrap_or(Severity::Note);
        let best = all.iter().filter(|f| is(m, f, wanted)).map(|f| f.severity).min();
        match best {
            Some(found) if found <= least => {}
            Some(found) => wrong.push(format!("{} for {:?} is {found}, not {least}", wanted.topic, wanted.substances)),
            None => wrong.push(format!("no {} for {:?}", wanted.topic, wanted.substances)),
        }
    }
    for wanted in &known.reject {
        if let Some(f) = all.iter().find(|f| is(m, f, wanted)) {
            wrong.push(format!("{} for {:?} comes ({}), and must not", wanted.topic, wanted.substances, f.key));
        }
    }
    wrong
}

#[test]
fn cases_from_outside_are_found() {
    let m = Materia::embedded();
    let book = Rulebook::new(&m);
    let cases = facts::<Cases>("safety.toml").case;
    assert!(cases.len() >= 150, "{} cases", cases.len());
    let mut wrong = Vec::new();
    let mut settled = Vec::new();
    let (mut passed, mut by_kind) = (0, BTreeMap::<&str, usize>::new());
    for known in &cases {
        assert!(!known.source.is_empty() && !known.how.is_empty(), "{} has no source", known.id);
        assert!(!known.expect.is_empty() || !known.reject.is_empty(), "{} asks for nothing", known.id);
        let fails = fails(&m, &check(&m, &book, known), known);
        match (&known.differs, fails.is_empty()) {
            (None, true) => {
                passed += 1;
                *by_kind.entry(known.id.split('-').next().unwrap_or_default()).or_default() += 1;
            }
            (Some(_), false) => {}
            (None, false) => wrong.push(format!("{}: {}", known.id, fails.join("; "))),
            (Some(_), true) => settled.push(known.id.clone()),
        }
    }
    println!("{passed} of {} cases as the source has them: {by_kind:?}", cases.len());
    assert!(wrong.is_empty(), "{} cases fail:\n{}", wrong.len(), wrong.join("\n"));
    assert!(settled.is_empty(), "these agree now; take `differs` out: {settled:?}");
}
