//! The whole job on invented prescriptions.

use std::path::Path;

use fangwright_formula::{Families, Mix, family_svg, formula_label, read};
use fangwright_materia::FormulaIx;
use fangwright_pattern::{Customs, Wish, modify, red_flags};
use fangwright_safety::{Facts, Patient, Rulebook};
use serde::Deserialize;

use crate::output::{self, DemoAnswer};
use crate::render;
use crate::run::{Failure, Session, out, trace_answer, write_file};
use crate::{check, dispense, fit};

#[derive(Deserialize)]
struct Cases {
    case: Vec<Case>,
}

#[derive(Deserialize)]
struct Case {
    who: String,
    #[serde(rename = "for")]
    complaint: String,
    rx: String,
    days: Option<u32>,
    /// Where it is there, the prescription is checked as well.
    patient: Option<Patient>,
    /// Where it is there, patterns are sought for it, and the prescription is the base of a change.
    found: Option<String>,
    #[serde(default)]
    needs: Vec<String>,
    /// Where it is there, the prescription is made up so.
    dispense: Option<String>,
}

/// Runs the demo. Always ends well: the mistakes in its last case are there to be shown.
pub fn run(s: &Session, pictures: Option<&Path>) -> Result<bool, Failure> {
    let cases: Cases =
        toml::from_str(include_str!("../demo/prescriptions.toml")).map_err(|e| Failure::from(e.to_string()))?;
    let m = s.m();
    let mut answers: Vec<DemoAnswer> = Vec::new();
    let book = Rulebook::new(m);
    // What is found and changed, by the number of the case.
    let mut texts: Vec<(usize, String)> = Vec::new();
    let mut bases: Vec<FormulaIx> = Vec::new();
    for case in &cases.case {
        let text = case.rx.trim().to_string();
        let answer = trace_answer(s, text.clone(), read(m, &text), &[], false);
        if let Some(base) = answer.trace.as_ref().and_then(|t| t.best.first()).and_then(|b| b.bases.first())
            && !bases.contains(&base.formula)
        {
            bases.push(base.formula);
        }
        let report = match &case.patient {
            None => None,
            Some(patient) => {
                let mut checked = fangwright_safety::Case::of_prescription(m, &answer.prescription, &s.conventions);
                checked.days = case.days;
                let facts = Facts::new(&book, patient).map_err(|e| Failure::from(e.to_string()))?;
                Some((book.check(m, &checked, &facts, &[]), checked, facts))
            }
        };
        let mut plan = None;
        if let (Some(preparation), Some((report, checked, facts)), Some(patient)) =
            (&case.dispense, &report, &case.patient)
            && !report.stands()
        {
            plan = Some(dispense::planned(m, checked, facts, patient, preparation, case.days.unwrap_or(7))?);
        }
        let report = report.map(|r| r.0);
        let (mut judgement, mut modified) = (None, None);
        if let (Some(found), Some(patient)) = (&case.found, &case.patient) {
            let (judged, present) = fit::judged(m, found, &[], &[])?;
            let facts = Facts::new(&book, patient).map_err(|e| Failure::from(e.to_string()))?;
            let base = fit::base_of(m, &Mix::of_prescription(m, &answer.prescription, &s.conventions));
            let wish = Wish { base, needs: case.needs.clone(), ..Wish::default() };
            let changed =
                modify(m, &book, &Customs::new(m), &facts, &wish, 2).map_err(|e| Failure::from(e.to_string()))?;
            let flags = red_flags(m, found, &[]);
            texts.push((answers.len(), fit::judgement_text(m, &flags, &present, &judged)));
            texts.push((answers.len(), fit::modified_text(m, None, &wish, &[], &changed)));
            (judgement, modified) = (Some(judged), Some(changed));
        }
        answers.push(DemoAnswer { trace: answer, patient: case.patient.clone(), report, judgement, modified, plan });
    }
    if s.json {
        output::print(m, &s.loaded.problems, "demo", answers);
        return Ok(true);
    }
    out("Fangwright: invented prescriptions, read and explained. Nobody in them exists.\n");
    for (number, (case, answer)) in cases.case.iter().zip(&answers).enumerate() {
        out(&render::heading(&format!("{}: {}", case.who, case.complaint)));
        let DemoAnswer { trace, report, .. } = answer;
        out(&render::prescription(s, &trace.input, &trace.prescription));
        out(&render::diagnostics(&trace.input, &trace.prescription.diagnostics));
        if case.found.is_some() {
            texts.iter().filter(|(of, _)| *of == number).for_each(|(_, text)| out(&format!("\n{text}")));
            continue;
        }
        match report {
            None => out(&render::trace_answer(s, trace)),
            Some(report) => out(&format!("\n{}", check::report(m, report, false))),
        }
        if let Some(plan) = &answer.plan {
            out(&dispense::plan_text(m, plan, None, "of the demo"));
        }
    }
    let families = Families::new(m);
    for base in bases.iter().take(3) {
        out(&render::heading(&format!("The family of {}", formula_label(m, *base))));
        let family = families.of(m, *base);
        out(&render::family(s, &family));
        if let Some(folder) = pictures {
            std::fs::create_dir_all(folder)
                .map_err(|e| Failure::from(format!("{} cannot be made: {e}", folder.display())))?;
            let path = folder.join(format!("{}.svg", m.formula(*base).id));
            write_file(&path, &family_svg(m, &family))?;
            out(&format!("The picture is in {}.\n", path.display()));
        }
    }
    out(&kept_in_the_record(&cases)?);
    if pictures.is_none() {
        out("\n`fangwright demo --pictures DIR` also draws these families as SVG.\n");
    }
    out(&render::caution());
    Ok(true)
}

/// The last part: a person, a visit, a signed prescription and its dispensing in a record that is thrown away afterwards.
fn kept_in_the_record(cases: &Cases) -> Result<String, Failure> {
    let folder = std::env::temp_dir().join(format!("fangwright-demo-{}", std::process::id()));
    std::fs::create_dir_all(&folder).map_err(|e| format!("{} cannot be made: {e}", folder.display()))?;
    let done = record(cases, &folder.join("clinic.sqlite"));
    let _ = std::fs::remove_dir_all(&folder);
    done.map_err(Failure::from)
}

fn record(cases: &Cases, path: &Path) -> Result<String, String> {
    use fangwright_clinic::model::{Answer, Kind, Measure, Person, Prescription, Reading, RxLine, Sex, Visit};
    use fangwright_clinic::search::{Sight, quietly};
    use fangwright_clinic::{ClinicError, Lore, Place, Store};
    let Some(case) = cases.case.iter().find(|c| c.dispense.is_some()) else { return Ok(String::new()) };
    let said = |e: ClinicError| e.to_string();
    let lore = Lore::new(fangwright_materia::Materia::embedded());
    let store = Store::open(&Place::File(path.into()), lore).map_err(|e| e.to_string())?;
    let today = fangwright_clinic::record::today();
    let read_rx = read(lore.materia(), &case.rx);
    let weigh = fangwright_formula::Conventions::usual(lore.materia());
    let items: Vec<RxLine> = read_rx
        .items
        .iter()
        .map(|i| RxLine {
            name: i.name.clone(),
            grams: i.means.settled().zip(i.amount.as_ref()).and_then(|(ix, w)| {
                weigh.weigh(lore.materia(), ix, &w.amount, weigh.written).ok().map(fangwright_safety::Exact)
            }),
            pot: i.pot.clone(),
            ..RxLine::default()
        })
        .collect();
    let preparation = case.dispense.clone().unwrap_or_default();
    let (who, complaint, days) = (case.who.clone(), case.complaint.clone(), case.days);
    let value = |text: &str| text.parse().map(fangwright_safety::Exact).map_err(|_| format!("`{text}` is no number"));
    let (first, last) = (value("8")?, value("3")?);
    let (person, number) = store
        .write(move |tx| -> Result<(String, String), ClinicError> {
            let by = "j.oake";
            let of = tx.create(
                by,
                None,
                Person {
                    names: vec!["Ada Penhallow".into(), "潘雅".into()],
                    born: jiff::civil::Date::new(1979, 5, 2).ok(),
                    sex: Some(Sex::Female),
                    pregnant: Some(Answer { yes: false, asked: today }),
                    allergies: Some(Vec::new()),
                    medicines: Some(Vec::new()),
                    conditions: Some(Vec::new()),
                    note: who,
                    ..Person::default()
                },
            )?;
            tx.take_into_care(by, by, &of.id, "first visit")?;
            let seen = tx.create(
                by,
                Some(&of.id),
                Visit {
                    on: today,
                    practitioner: by.into(),
                    complaint,
                    notes: "cough, thick yellow phlegm, oppression in the chest".into(),
                    findings: Vec::new(),
                    absent: Vec::new(),
                    tongue: "yellow greasy coating".into(),
                    pulse: "slippery rapid".into(),
                    patterns: Vec::new(),
                    reasoning: String::new(),
                    plan: "a week, then look again".into(),
                    flags: Vec::new(),
                },
            )?;
            let rx = tx.write_prescription(
                by,
                &of.id,
                Prescription {
                    on: today,
                    visit: Some(seen.id.clone()),
                    title: "for the phlegm".into(),
                    formula: None,
                    items,
                    form: None,
                    granule_ratio: None,
                    days,
                    doses: Some(2),
                    directions: "warm, half an hour after meals".into(),
                    patterns: Vec::new(),
                    overrides: Vec::new(),
                    parent: None,
                    why: String::new(),
                    signed: None,
                    withdrawn: None,
                },
            )?;
            let signed = tx.sign(by, &rx.id, rx.version, today, &[])?;
            let making = serde_json::from_value(serde_json::json!({ "preparation": preparation }))
                .map_err(|e| ClinicError::Fault(e.to_string()))?;
            let (given, _) = tx.hand_out("d.ash", &signed.id, &making, today, &[])?;
            let measure = tx.create(
                by,
                Some(&of.id),
                Measure {
                    name: "tight chest".into(),
                    least: value_of(0),
                    most: Some(value_of(10)),
                    unit: String::new(),
                    better: Default::default(),
                },
            )?;
            for (on, value) in [(today.saturating_sub(jiff::Span::new().days(7)), first), (today, last)] {
                let reading = Reading { measure: measure.id.clone(), on, value, visit: None, note: String::new() };
                tx.create(by, Some(&of.id), reading)?;
            }
            Ok((of.id, given.record.number))
        })
        .map_err(said)?;
    let sight = Sight { account: "j.oake".into(), own: Kind::ALL.to_vec(), ..Sight::default() };
    let mut text = render::heading("The same in the clinic's record");
    text.push_str(&format!(
        "Kept: a person, a visit, a prescription that was checked and signed, dispensing {number}, a measure.\n"
    ));
    for words in ["ada penhallow", "潘雅", "pan ya", "fa ban xia", "penhalow"] {
        let hits = store.search(words, &sight, None).map_err(|e| e.to_string())?;
        let kinds: Vec<&str> = hits.iter().map(|h| h.kind.word()).collect();
        text.push_str(&format!("Found by `{words}`: {}\n", kinds.join(", ")));
    }
    let whole = store.read(|db| fangwright_clinic::record::whole(db, &person)).map_err(said)?;
    for line in fangwright_clinic::course::course(&whole).lines {
        let change = line.change.map_or(String::new(), |c| c.0.decimal(1));
        let trend = line.trend.map_or("", |t| t.word());
        text.push_str(&format!("Course of `{}`: change {change}, {trend}\n", line.name));
    }
    let verdict = store.verify(None, &mut quietly).map_err(|e| e.to_string())?;
    text.push_str(&format!(
        "The chain has {} links; {} records are as they were written.\n`fangwright clinic serve` keeps such a record for good (docs/record.md).\n",
        verdict.links, verdict.records
    ));
    Ok(text)
}

fn value_of(n: i32) -> fangwright_safety::Exact {
    fangwright_safety::Exact(fangwright_amount::Rational::from(n))
}
