//! The whole job on invented prescriptions.

use std::path::Path;

use fangwright_formula::{Families, family_svg, formula_label, read};
use fangwright_materia::FormulaIx;
use serde::Deserialize;

use crate::output::{self, TraceAnswer};
use crate::render;
use crate::run::{Failure, Session, out, trace_answer, write_file};

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
}

/// Runs the demo. Always ends well: the mistakes in its last case are there to be shown.
pub fn run(s: &Session, pictures: Option<&Path>) -> Result<bool, Failure> {
    let cases: Cases =
        toml::from_str(include_str!("../demo/prescriptions.toml")).map_err(|e| Failure::from(e.to_string()))?;
    let m = s.m();
    let mut answers: Vec<TraceAnswer> = Vec::new();
    let mut bases: Vec<FormulaIx> = Vec::new();
    for case in &cases.case {
        let text = case.rx.trim().to_string();
        let answer = trace_answer(s, text.clone(), read(m, &text), &[], false);
        if let Some(base) = answer.trace.as_ref().and_then(|t| t.best.first()).and_then(|b| b.bases.first())
            && !bases.contains(&base.formula)
        {
            bases.push(base.formula);
        }
        answers.push(answer);
    }
    if s.json {
        output::print(m, &s.loaded.problems, "demo", answers);
        return Ok(true);
    }
    out("Fangwright: invented prescriptions, read and explained. Nobody in them exists.\n");
    for (case, answer) in cases.case.iter().zip(&answers) {
        out(&render::heading(&format!("{}: {}", case.who, case.complaint)));
        out(&render::prescription(s, &answer.input, &answer.prescription));
        out(&render::diagnostics(&answer.input, &answer.prescription.diagnostics));
        out(&render::trace_answer(s, answer));
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
