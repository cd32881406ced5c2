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
    if pictures.is_none() {
        out("\n`fangwright demo --pictures DIR` also draws these families as SVG.\n");
    }
    out(&render::caution());
    Ok(true)
}
