//! Exact sums of formulas: `1/3 Gui Zhi Tang + 1/3 Ma Huang Tang`, `二陈汤加竹茹枳实`, `A + B - x`.

use fangwright_amount::{Amount, Era, Measures, Rational, Unit};
use fangwright_materia::{FormulaIx, Materia, Resolution, SubstanceIx};
use schemars::JsonSchema;
use serde::Serialize;

use crate::mix::{Mix, Part, formula_label, label};
use crate::reader::Span;

/// Why a sum cannot be made. Each points at its place in the expression.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum BlendError {
    /// Nothing to sum.
    #[error(
        "there is nothing to blend; write formulas with a plus between, such as `1/3 Gui Zhi Tang + 1/3 Ma Huang Tang`"
    )]
    Empty,
    /// A term that is neither a formula nor a substance.
    #[error("`{text}` is no formula and no substance we hold{near}")]
    Unknown {
        /// The term.
        text: String,
        /// Nearest names, as a clause.
        near: String,
        /// Where.
        span: Span,
    },
    /// A name that means several things.
    #[error("`{text}` may mean several: {tells}")]
    Ambiguous {
        /// The term.
        text: String,
        /// What tells them apart.
        tells: String,
        /// Where.
        span: Span,
    },
    /// The number before a term is wrong.
    #[error("{error}")]
    Number {
        /// What is wrong with it.
        error: String,
        /// Where.
        span: Span,
    },
    /// Something is taken out that is not in it.
    #[error("{name} is to be taken out, but is not in the sum")]
    NotThere {
        /// Name of the substance.
        name: String,
        /// Where.
        span: Span,
    },
    /// The numbers grow too large to be exact.
    #[error("the fractions grow too large to be held exactly")]
    TooLarge,
}

impl BlendError {
    /// Where in the expression it is, if at one place.
    pub fn span(&self) -> Option<Span> {
        match self {
            BlendError::Unknown { span, .. }
            | BlendError::Ambiguous { span, .. }
            | BlendError::Number { span, .. }
            | BlendError::NotThere { span, .. } => Some(*span),
            BlendError::Empty | BlendError::TooLarge => None,
        }
    }
}

/// One line of a blend: a substance in the old units it came in, and in modern grams.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct BlendLine {
    /// Which.
    pub substance: SubstanceIx,
    /// The exact sum in the books' own units; more than one entry where they cannot be added.
    pub original: Vec<Amount>,
    /// The exact sum of modern grams, where every part has them.
    pub grams: Option<Rational>,
    /// What each formula gives, for the arithmetic.
    pub from: Vec<(FormulaIx, Option<Amount>)>,
}

/// An exact sum.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct Blend {
    /// The terms with their shares.
    pub terms: Vec<(Rational, String)>,
    /// The era whose units the sums are written in, where all formulas share one.
    pub era: Option<Era>,
    /// The lines.
    pub lines: Vec<BlendLine>,
}

impl Blend {
    /// As a mix, to compare and trace.
    pub fn mix(&self) -> Mix {
        Mix {
            formula: None,
            parts: self.lines.iter().map(|l| Part { substance: l.substance, grams: l.grams, role: None }).collect(),
        }
    }
}

/// How one term stands in the sum.
enum Term {
    Formula(FormulaIx),
    Substance(SubstanceIx, Option<Rational>),
}

struct Piece<'a> {
    add: bool,
    text: &'a str,
    start: usize,
}

/// Cuts an expression at its operators. In hanzi, what follows 加 or 减 may be a row of names without signs between.
fn pieces<'a>(m: &Materia, text: &'a str) -> Vec<Piece<'a>> {
    let mut list = Vec::new();
    let mut add = true;
    let mut from = 0;
    let mut at = 0;
    let push = |list: &mut Vec<Piece<'a>>, add: bool, from: usize, to: usize| {
        let raw = &text[from..to];
        let lead = raw.len() - raw.trim_start_matches([' ', ',', '，', '、', '\n', '\t']).len();
        let piece = raw.trim_matches([' ', ',', '，', '、', '\n', '\t', '。', '.', ';', '；']);
        if !piece.is_empty() {
            list.push(Piece { add, text: piece, start: from + lead });
        }
    };
    while at < text.len() {
        let rest = &text[at..];
        let Some(c) = rest.chars().next() else { break };
        let p = m.plain_char(c);
        let formula = m.hanzi_formula_prefixes(rest).first().copied().unwrap_or(0);
        let substance = m.hanzi_prefixes(rest).first().copied().unwrap_or(0);
        if formula.max(substance) > 0 {
            let len = formula.max(substance);
            push(&mut list, add, from, at);
            // A share in front of it stays with it.
            let share = list.last().is_some_and(|l: &Piece| {
                l.start + l.text.len() == text[..at].trim_end().len()
                    && l.text.chars().all(|c| c.is_ascii_digit() || matches!(c, '/' | ' ' | '.'))
            });
            let start = if share { list.pop().map_or(at, |l| l.start) } else { at };
            let mut end = at + len;
            // An amount behind it belongs to it.
            let tail: usize = text[end..]
                .chars()
                .take_while(|c| c.is_ascii_digit() || matches!(c, '.' | '/' | ' ' | 'g' | '克'))
                .map(char::len_utf8)
                .sum();
            if text[end..end + tail].chars().any(|c| c.is_ascii_digit()) {
                end += tail;
            }
            push(&mut list, add, start, end);
            from = end;
            at = end;
            continue;
        }
        let word = &m.library().words;
        let lower: String = rest.chars().take(8).map(|c| m.plain_char(c)).collect::<String>().to_lowercase();
        let boundary = at == 0 || text[..at].ends_with([' ', ')']) || !c.is_ascii_alphabetic();
        let sign = |words: &[String]| {
            words
                .iter()
                .filter(|w| w.as_str() != "-" && lower.starts_with(w.as_str()))
                .filter(|w| {
                    !w.ends_with(|c: char| c.is_ascii_alphabetic())
                        || boundary
                            && !lower[w.len()..].starts_with(|c: char| c.is_alphanumeric())
                            && matches!(
                                w.as_str(),
                                "plus" | "minus" | "without" | "add" | "with" | "and" | "less" | "remove" | "omit"
                            )
                })
                .map(|w| w.chars().count())
                .max()
        };
        let (plus, minus) = (sign(&word.plus), sign(&word.minus));
        let dash =
            matches!(p, '-' | '−' | '－') && (text[..at].ends_with(' ') && rest[c.len_utf8()..].starts_with(' '));
        if plus.is_some() || minus.is_some() || dash || matches!(p, ',' | '、' | '，') {
            push(&mut list, add, from, at);
            let count = plus.max(minus).unwrap_or(1);
            let len: usize = rest.chars().take(count).map(char::len_utf8).sum();
            if plus.is_some() && plus >= minus {
                add = true;
            } else if minus.is_some() || dash {
                add = false;
            }
            at += len;
            from = at;
            continue;
        }
        at += c.len_utf8();
    }
    push(&mut list, add, from, text.len());
    list
}

/// Reads an expression and sums it exactly.
///
/// # Errors
/// With the place of the first thing that is wrong.
///
/// ```
/// use fangwright_formula::blend;
/// let materia = fangwright_materia::Materia::embedded();
/// let sum = blend(&materia, "1/3 Gui Zhi Tang + 1/3 Ma Huang Tang")?;
/// let twig = materia.substance_by_id("gui-zhi").unwrap();
/// let line = sum.lines.iter().find(|l| l.substance == twig).unwrap();
/// assert_eq!(line.original[0].to_string(), "1 liang 16 zhu");
/// # Ok::<(), fangwright_formula::BlendError>(())
/// ```
pub fn blend(m: &Materia, text: &str) -> Result<Blend, BlendError> {
    let mut sum = Sum { m, terms: Vec::new(), eras: Vec::new(), lines: Vec::new() };
    for piece in pieces(m, text) {
        let span = Span { start: piece.start, end: piece.start + piece.text.len() };
        let (share, name, grams) = split(piece.text, span)?;
        let term = match sum.term(name, grams, span) {
            // "Minus peony" is clear where only one peony is in the sum.
            Err(BlendError::Ambiguous { text, tells, span }) if !piece.add => match sum.only_one_of(name) {
                Some(s) => Term::Substance(s, None),
                None => return Err(BlendError::Ambiguous { text, tells, span }),
            },
            term => term?,
        };
        sum.take(piece.add, share, term, span)?;
    }
    if sum.terms.is_empty() {
        return Err(BlendError::Empty);
    }
    sum.finish()
}

/// `1/3 Gui Zhi Tang` → share and name; `Hou Po 6g` → name and grams.
fn split(text: &str, span: Span) -> Result<(Rational, &str, Option<Rational>), BlendError> {
    let number: usize =
        text.chars().take_while(|c| c.is_ascii_digit() || matches!(c, '/' | '.')).map(char::len_utf8).sum();
    let mut share = Rational::ONE;
    if number > 0 {
        let end = span.start + number;
        share = text[..number].parse().map_err(|e: fangwright_amount::NumberError| BlendError::Number {
            error: e.to_string(),
            span: Span { start: span.start, end },
        })?;
        if !share.is_positive() {
            return Err(BlendError::Number {
                error: "a share has to be above zero".into(),
                span: Span { start: span.start, end },
            });
        }
    }
    let name = text[number..].trim_start_matches([' ', '×', '*']);
    let bare = name.trim_end_matches([' ', 'g', '克']);
    let digits: usize =
        bare.chars().rev().take_while(|c| c.is_ascii_digit() || matches!(c, '/' | '.')).map(char::len_utf8).sum();
    if digits > 0 && bare.len() < name.len() {
        let cut = bare.len() - digits;
        let grams = bare[cut..]
            .parse()
            .map_err(|e: fangwright_amount::NumberError| BlendError::Number { error: e.to_string(), span })?;
        return Ok((share, bare[..cut].trim_end(), Some(grams)));
    }
    Ok((share, name.trim(), None))
}

struct Sum<'a> {
    m: &'a Materia,
    terms: Vec<(Rational, String)>,
    eras: Vec<Era>,
    lines: Vec<Draft>,
}

struct Draft {
    substance: SubstanceIx,
    parts: Vec<(FormulaIx, Option<Amount>, Era)>,
    grams: Option<Rational>,
}

impl Sum<'_> {
    /// The one substance of an ambiguous name that is in the sum.
    fn only_one_of(&self, name: &str) -> Option<SubstanceIx> {
        let Resolution::Ambiguous { candidates, .. } = self.m.resolve(name) else { return None };
        let mut present = candidates.into_iter().filter(|c| self.lines.iter().any(|l| l.substance == *c));
        present.next().filter(|_| present.next().is_none())
    }

    fn term(&self, name: &str, grams: Option<Rational>, span: Span) -> Result<Term, BlendError> {
        let m = self.m;
        // A formula's name, right or nearly right, unless a substance bears exactly that name.
        if !m.names_a_substance(name) {
            match m.resolve_formula(name) {
                Resolution::Known { substance, .. } | Resolution::Misspelt { substance, .. } => {
                    return Ok(Term::Formula(substance));
                }
                Resolution::Ambiguous { tells, .. } => {
                    return Err(BlendError::Ambiguous { text: name.into(), tells, span });
                }
                Resolution::Unknown { .. } => {}
            }
        }
        match m.resolve(name) {
            Resolution::Known { substance, .. } | Resolution::Misspelt { substance, .. } => {
                Ok(Term::Substance(substance, grams))
            }
            Resolution::Ambiguous { tells, .. } => Err(BlendError::Ambiguous { text: name.into(), tells, span }),
            Resolution::Unknown { nearest } => {
                let mut near: Vec<String> = nearest.iter().take(2).map(|n| label(m, n.target)).collect();
                if let Resolution::Unknown { nearest } = m.resolve_formula(name) {
                    near.extend(nearest.iter().take(2).map(|n| formula_label(m, n.target)));
                }
                let near = if near.is_empty() { String::new() } else { format!("; nearest: {}", near.join(", ")) };
                Err(BlendError::Unknown { text: name.into(), near, span })
            }
        }
    }

    fn take(&mut self, add: bool, share: Rational, term: Term, span: Span) -> Result<(), BlendError> {
        let m = self.m;
        match (term, add) {
            (Term::Formula(ix), true) => {
                let f = m.formula(ix);
                self.terms.push((share, formula_label(m, ix)));
                self.eras.push(f.measures);
                for i in &f.ingredients {
                    let Some(s) = m.substance_by_id(&i.substance) else { continue };
                    let amount = match &i.amount {
                        Some(a) => Some(a.scaled(share).ok_or(BlendError::TooLarge)?),
                        None => None,
                    };
                    let grams = match i.grams {
                        Some(g) => Some(g.times(share).ok_or(BlendError::TooLarge)?),
                        None => None,
                    };
                    let line = self.line(s);
                    line.grams = match (line.grams, grams, line.parts.is_empty()) {
                        (_, g, true) => g,
                        (Some(a), Some(b), false) => Some(a.plus(b).ok_or(BlendError::TooLarge)?),
                        _ => None,
                    };
                    line.parts.push((ix, amount, f.measures));
                }
            }
            (Term::Formula(ix), false) => {
                for i in &m.formula(ix).ingredients {
                    if let Some(s) = m.substance_by_id(&i.substance) {
                        self.drop(s);
                    }
                }
                self.terms.push((Rational::from(-1), formula_label(m, ix)));
            }
            (Term::Substance(s, grams), true) => {
                self.terms.push((share, label(m, s)));
                let line = self.line(s);
                if let Some(g) = grams {
                    line.grams = Some(g.times(share).ok_or(BlendError::TooLarge)?);
                    line.parts.clear();
                }
            }
            (Term::Substance(s, _), false) => {
                if !self.drop(s) {
                    return Err(BlendError::NotThere { name: label(m, s), span });
                }
                self.terms.push((Rational::from(-1), label(m, s)));
            }
        }
        Ok(())
    }

    fn line(&mut self, s: SubstanceIx) -> &mut Draft {
        if let Some(i) = self.lines.iter().position(|l| l.substance == s) {
            return &mut self.lines[i];
        }
        self.lines.push(Draft { substance: s, parts: Vec::new(), grams: None });
        let last = self.lines.len() - 1;
        &mut self.lines[last]
    }

    /// Takes out a substance, or what stands for it in another form.
    fn drop(&mut self, s: SubstanceIx) -> bool {
        let before = self.lines.len();
        self.lines.retain(|l| l.substance != s);
        if self.lines.len() == before {
            let raw = self.m.raw_form(s);
            self.lines.retain(|l| self.m.raw_form(l.substance) != raw);
        }
        self.lines.len() < before
    }

    fn finish(self) -> Result<Blend, BlendError> {
        let era = self.eras.first().copied().filter(|e| self.eras.iter().all(|x| x == e));
        let mut lines = Vec::new();
        for draft in self.lines {
            let mut original: Vec<Amount> = Vec::new();
            if let Some(era) = era {
                let mut weight: Option<Rational> = None;
                let mut others: Vec<(Unit, Rational)> = Vec::new();
                for (n, unit) in draft.parts.iter().filter_map(|p| p.1.as_ref()).flat_map(|a| a.0.iter().copied()) {
                    if unit.measures() == Measures::Weight
                        && let Some(one) = era.in_liang(unit)
                    {
                        let liang = n.times(one).ok_or(BlendError::TooLarge)?;
                        weight = Some(weight.unwrap_or_default().plus(liang).ok_or(BlendError::TooLarge)?);
                    } else if let Some(slot) = others.iter_mut().find(|(u, _)| *u == unit) {
                        slot.1 = slot.1.plus(n).ok_or(BlendError::TooLarge)?;
                    } else {
                        others.push((unit, n));
                    }
                }
                if let Some(liang) = weight {
                    original.push(era.spell_liang(liang).ok_or(BlendError::TooLarge)?);
                }
                original.extend(others.into_iter().map(|(u, n)| Amount::of(n, u)));
            } else {
                original.extend(draft.parts.iter().filter_map(|p| p.1.clone()));
            }
            lines.push(BlendLine {
                substance: draft.substance,
                original,
                grams: draft.grams,
                from: draft.parts.into_iter().map(|(f, a, _)| (f, a)).collect(),
            });
        }
        Ok(Blend { terms: self.terms, era, lines })
    }
}
