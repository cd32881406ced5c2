//! One prescription, made ready for checking.

use fangwright_amount::Rational;
use fangwright_formula::{Conventions, Mix, Prescription, Span, label};
use fangwright_materia::records::{Form, Pot};
use fangwright_materia::{FormulaIx, Materia, Resolution, SubstanceIx};
use schemars::JsonSchema;
use serde::Serialize;

use crate::rulebook::{micrograms, pot_bit};

/// Grams of pills, powder or paste that are about the most anybody swallows in a day (common practice, no source): what
/// a record has above it is the weight of a batch, or of a decoction made of the same.
const SWALLOWED: i32 = 30;

/// One line of a prescription that is understood.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Portion {
    /// Which substance.
    pub substance: SubstanceIx,
    /// Grams a day; none where no weight is given.
    pub grams: Option<Rational>,
    pub(crate) micrograms: i64,
    pub(crate) pots: u8,
    /// Number of the line in the prescription, from 0.
    pub line: u32,
}

impl Portion {
    /// A substance with its grams a day and what is written on its handling.
    pub fn new(substance: SubstanceIx, grams: Option<Rational>, pots: &[Pot], line: u32) -> Portion {
        Portion {
            substance,
            grams,
            micrograms: grams.map_or(0, micrograms),
            pots: pots.iter().fold(0, |bits, p| bits | pot_bit(*p)),
            line,
        }
    }

    /// The handling that is written beside it.
    pub fn handling(&self) -> Vec<Pot> {
        Pot::ALL.iter().copied().filter(|p| self.pots & pot_bit(*p) != 0).collect()
    }
}

/// A line that could not be used.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct Unread {
    /// As written.
    pub written: String,
    /// The substances it may mean, if several.
    pub several: Vec<SubstanceIx>,
    /// The nearest name, to ask whether it was meant.
    pub nearest: Option<String>,
    /// Number of the line, from 0.
    pub line: u32,
}

/// A prescription for checking: a day's dose of each substance, the form it is taken in and for how long.
#[derive(Debug, Clone, Default)]
pub struct Case {
    /// What is understood.
    pub portions: Vec<Portion>,
    /// What is not.
    pub unread: Vec<Unread>,
    /// The form; a decoction if nothing is said.
    pub form: Option<Form>,
    /// For granules: grams of raw drug in one gram of granules.
    pub ratio: Option<Rational>,
    /// For how many days it is taken.
    pub days: Option<u32>,
    /// Names and places of the lines, where they are known.
    pub written: Vec<(String, Option<Span>)>,
}

impl Case {
    /// The form, a decoction if nothing is said.
    pub fn form(&self) -> Form {
        self.form.unwrap_or(Form::Decoction)
    }

    /// A prescription as read. Amounts count as a day's dose, the middle of a range as its upper end.
    pub fn of_prescription(m: &Materia, rx: &Prescription, conventions: &Conventions) -> Case {
        let mut case = Case { days: rx.days.and_then(|d| u32::try_from(d.floor()).ok()), ..Case::default() };
        for (line, item) in (0..).zip(&rx.items) {
            case.written.push((item.name.clone(), Some(item.span)));
            match &item.means {
                Resolution::Known { substance, .. } => {
                    let weigh = |amount| conventions.weigh(m, *substance, amount, conventions.written).ok();
                    let grams = item.amount.as_ref().and_then(|w| weigh(w.upto.as_ref().unwrap_or(&w.amount)));
                    case.portions.push(Portion::new(*substance, grams, &item.pot, line));
                }
                other => case.unread.push(Unread::of(m, &item.name, other, line)),
            }
        }
        case
    }

    /// A formula of the collection at its modern dose, handled as its records ask. The weights of a pill or powder that
    /// come to more than anybody swallows in a day are left out.
    pub fn of_formula(m: &Materia, ix: FormulaIx) -> Case {
        let formula = m.formula(ix);
        let mut case = Case { form: Some(formula.form), ..Case::default() };
        let mix = Mix::of_formula(m, ix);
        let sum = mix.parts.iter().filter_map(|p| p.grams).try_fold(Rational::ZERO, Rational::plus);
        let swallowed = matches!(formula.form, Form::Pill | Form::Powder | Form::Paste);
        let of_a_batch = swallowed && sum.is_none_or(|s| s > Rational::from(SWALLOWED));
        for (line, part) in (0..).zip(mix.parts) {
            case.written.push((label(m, part.substance), None));
            let grams = part.grams.filter(|_| !of_a_batch);
            case.portions.push(Portion::new(part.substance, grams, &m.substance(part.substance).pot, line));
        }
        case
    }
}

impl Unread {
    /// A name that is not settled.
    pub fn of(m: &Materia, name: &str, means: &Resolution<SubstanceIx>, line: u32) -> Unread {
        let (several, nearest) = match means {
            Resolution::Ambiguous { candidates, .. } => (candidates.clone(), None),
            _ => (Vec::new(), m.nearest(name, 1).first().map(|n| n.spelling.clone())),
        };
        Unread { written: name.into(), several, nearest, line }
    }
}
