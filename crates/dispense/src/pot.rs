//! The pot: how much water, what goes in when, how long, in what vessel, and how much comes out.

use fangwright_amount::Rational;
use fangwright_materia::records::{Cooking, Dispensing, Fit, Handling, Heat, Pot, Substance, Text3, Vessel};
use fangwright_materia::{Materia, SubstanceIx};
use fangwright_safety::Facts;
use schemars::JsonSchema;
use serde::Serialize;

use crate::plan::{PlanError, middle};

/// Who drinks it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Drinker {
    /// Twelve years and more.
    #[default]
    Adult,
    /// From one year.
    Child,
    /// Below one year.
    Infant,
}

impl Drinker {
    /// By age; an adult where nothing is said.
    pub fn of(facts: &Facts) -> Drinker {
        let years = |n: i32| Rational::from(n);
        match facts.years() {
            Some(age) if age < years(1) => Drinker::Infant,
            Some(age) if age < years(12) => Drinker::Child,
            _ => Drinker::Adult,
        }
    }
}

/// What stands at one moment of the cooking.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct PotStep {
    /// Minutes from the beginning of the soak.
    pub at: u32,
    /// What is done.
    pub what: PotAct,
    /// With which ingredients: places in the plan's lines.
    pub lines: Vec<usize>,
    /// The words for a patient, where the data has them for these ingredients.
    pub words: Vec<Text3>,
}

/// What is done at a moment.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, JsonSchema)]
#[serde(rename_all = "kebab-case", tag = "act")]
#[expect(missing_docs, reason = "the words say it")]
pub enum PotAct {
    /// Cover with so much water and leave to soak.
    Soak { millilitres: Rational, minutes: u32 },
    /// Bring to the boil, alone, for so long.
    BoilFirst { minutes: u32 },
    /// These go in; it boils so long from here.
    Boil { minutes: u32, gentle: bool },
    /// These go in, so long before the end.
    AddLast { minutes: u32 },
    /// Pour off and keep.
    Strain { millilitres: Rational },
    /// Boiled a second time, with so much fresh water.
    BoilAgain { millilitres: Rational, minutes: u32, gentle: bool },
    /// Both liquids together.
    Combine { millilitres: Rational },
    /// Melted into the hot liquid.
    MeltIn,
    /// Cooked apart and poured in.
    CookApart { minutes: u32 },
    /// Taken with the liquid.
    TakeWith,
    /// Divided into so many doses.
    Divide { doses: u32, millilitres: Rational },
}

/// A remark on the pot.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct PotWarning {
    /// Whether it must not be done so.
    pub grave: bool,
    /// The words.
    pub text: Text3,
    /// The ingredients it concerns.
    pub lines: Vec<usize>,
}

/// How one day's pack is cooked.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct CookingPlan {
    /// Which rule of time it follows (id).
    pub rule: String,
    /// The rule's words.
    pub rule_words: Text3,
    /// Grams of herb for each place in the pot, with the water it takes up.
    pub taken_up: Vec<Soaked>,
    /// Millilitres that the herbs take up.
    pub absorbed: Rational,
    /// Millilitres that boil away in the first boiling.
    pub evaporated: Rational,
    /// Water of the first boiling, in millilitres, to the next ten.
    pub first_water: Rational,
    /// Water of the second.
    pub second_water: Rational,
    /// Millilitres that come out in all.
    pub yield_ml: Rational,
    /// Millilitres of one dose.
    pub dose_ml: Rational,
    /// Doses of one pack.
    pub doses: u32,
    /// The time line.
    pub steps: Vec<PotStep>,
    /// Minutes from soak to dividing.
    pub minutes: u32,
    /// The vessel, if one is named.
    pub vessel: Option<String>,
    /// What to beware of.
    pub warnings: Vec<PotWarning>,
}

/// Water that one ingredient takes up.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct Soaked {
    /// Place in the plan's lines.
    pub line: usize,
    /// Grams a pack.
    pub grams: Rational,
    /// Millilitres that a gram takes up.
    pub each: Rational,
    /// Millilitres.
    pub millilitres: Rational,
}

/// What goes into the pot of one pack.
#[derive(Debug, Clone)]
pub struct PotItem {
    /// The substance.
    pub substance: SubstanceIx,
    /// Grams in one pack.
    pub grams: Rational,
    /// Handling that was asked for, or else the substance's own.
    pub pots: Vec<Pot>,
}

/// What is asked of the pot.
#[derive(Debug, Clone)]
pub struct PotOrder {
    /// Who drinks it.
    pub drinker: Drinker,
    /// Doses that one pack gives.
    pub doses: u32,
    /// One boiling or two.
    pub boilings: u32,
    /// Millilitres of one dose, instead of the middle of the usual range.
    pub dose_ml: Option<Rational>,
    /// The vessel (id).
    pub vessel: Option<String>,
    /// Boiled as usual whatever the ingredients do: washes.
    pub plain: bool,
}

fn fits(
    part: &str,
    kind: fangwright_materia::records::Kind,
    id: &str,
    words: &[String],
    kinds: &[fangwright_materia::records::Kind],
    ids: &[String],
) -> bool {
    if !ids.is_empty() {
        return ids.iter().any(|x| x == id);
    }
    (words.is_empty() || Dispensing::part_has(part, words)) && (kinds.is_empty() || kinds.contains(&kind))
}

/// Millilitres of water that a gram of a substance takes up; zero where the data has no record that fits.
pub fn absorbs(d: &Dispensing, s: &Substance) -> Rational {
    let found = d.absorption.iter().find(|a| fits(&s.part, s.kind, &s.id, &a.part, &a.kinds, &a.substances));
    found.map_or(Rational::ZERO, |a| a.ml)
}

/// Raw grams that one gram of granule usually stands for, where the stock file does not say.
pub fn usual_ratio(d: &Dispensing, s: &Substance) -> Option<Rational> {
    let found = d.granule.iter().find(|a| fits(&s.part, s.kind, &s.id, &a.part, &a.kinds, &a.substances));
    found.map(|a| a.ratio)
}

/// Per cent of alcohol that suits a substance.
pub fn usual_strength(d: &Dispensing, s: &Substance) -> Option<Rational> {
    let mut all = d.tincture_strength.iter();
    all.find(|a| fits(&s.part, s.kind, &s.id, &a.parts, &a.kinds, &a.substances)).map(|a| a.strength)
}

/// The record for a handling of a substance, the more specific first.
pub fn handling<'a>(d: &'a Dispensing, s: &Substance, pot: Pot) -> Option<&'a Handling> {
    d.handling.iter().find(|h| h.pot == pot && fits("", s.kind, &s.id, &[], &h.kinds, &h.substances))
}

fn text(h: &Handling) -> Text3 {
    Text3 { en: h.en.clone(), zh: h.zh.clone(), zh_hant: h.zh_hant.clone() }
}

fn up_to_ten(x: Rational) -> Option<Rational> {
    let tens = x.over(Rational::from(10))?;
    let whole = Rational::from(tens.floor());
    let whole = if whole == tens { whole } else { whole.plus(Rational::ONE)? };
    whole.times(Rational::from(10))
}

/// The rule of time: the first whose actions are served, by the first two actions of each ingredient, by the share of the grams that it
/// asks for; else the default.
fn rule<'a>(m: &Materia, d: &'a Dispensing, items: &[PotItem]) -> Option<&'a Cooking> {
    let total = items.iter().try_fold(Rational::ZERO, |sum, i| sum.plus(i.grams))?;
    let share = |c: &Cooking| {
        items
            .iter()
            .filter(|i| m.substance(i.substance).actions.iter().take(2).any(|a| c.actions.contains(a)))
            .fold(Rational::ZERO, |sum, i| sum.plus(i.grams).unwrap_or(sum))
    };
    // What is lost by long boiling stands first in the file: the first rule with its share holds.
    let holds = |c: &&Cooking| {
        let enough = c.share.and_then(|share| total.times(share));
        !c.actions.is_empty() && enough.is_some_and(|enough| share(c).is_positive() && share(c) >= enough)
    };
    d.cooking.iter().find(holds).or_else(|| d.cooking.iter().find(|c| c.default))
}

/// The plan of the pot for one pack.
///
/// # Errors
/// No doses, an unknown vessel, or numbers too large.
pub fn cooking(m: &Materia, items: &[PotItem], order: &PotOrder) -> Result<CookingPlan, PlanError> {
    let d = &*m.library().dispensing;
    let large = || PlanError::TooLarge;
    if order.doses == 0 {
        return Err(PlanError::NoDoses);
    }
    let vessel: Option<&Vessel> = match &order.vessel {
        None => None,
        Some(id) => Some(d.vessel.iter().find(|v| v.id == *id).ok_or_else(|| PlanError::Vessel {
            asked: id.clone(),
            known: d.vessel.iter().map(|v| v.id.as_str()).collect::<Vec<_>>().join(", "),
        })?),
    };
    let usual = || d.cooking.iter().find(|c| c.default);
    let rule = if order.plain { usual() } else { rule(m, d, items) }.ok_or(PlanError::NoCookingRule)?;
    let has = |i: &PotItem, pot: Pot| i.pots.contains(&pot);
    let of =
        |pot: Pot| -> Vec<usize> { items.iter().enumerate().filter(|(_, i)| has(i, pot)).map(|(n, _)| n).collect() };
    // What does not go into the pot at all.
    let outside = [Pot::CookApart, Pot::MeltIn, Pot::TakeWithLiquid, Pot::NotDecocted, Pot::ExternalOnly];
    let inside: Vec<usize> = (0..items.len()).filter(|n| !outside.iter().any(|p| has(&items[*n], *p))).collect();
    let mut taken_up = Vec::new();
    let mut absorbed = Rational::ZERO;
    for n in &inside {
        let i = &items[*n];
        let each = absorbs(d, m.substance(i.substance));
        let millilitres = each.times(i.grams).ok_or_else(large)?;
        absorbed = absorbed.plus(millilitres).ok_or_else(large)?;
        taken_up.push(Soaked { line: *n, grams: i.grams, each, millilitres });
    }
    // How long what is cooked first boils alone.
    let first: Vec<usize> = of(Pot::CookFirst).into_iter().filter(|n| inside.contains(n)).collect();
    let mut alone = 0;
    let mut first_words = Vec::new();
    let mut warnings = Vec::new();
    for n in &first {
        let s = m.substance(items[*n].substance);
        if let Some(h) = handling(d, s, Pot::CookFirst) {
            alone = alone.max(h.minutes.map_or(20, |m| m[0]));
            let words = text(h);
            if !first_words.contains(&words) {
                first_words.push(words);
            }
        } else {
            alone = alone.max(20);
        }
    }
    for long in &d.long_boil {
        let of_it: Vec<usize> =
            inside.iter().copied().filter(|n| long.substances.contains(&m.substance(items[*n].substance).id)).collect();
        if of_it.is_empty() {
            continue;
        }
        let grams = of_it.iter().try_fold(Rational::ZERO, |sum, n| sum.plus(items[*n].grams)).ok_or_else(large)?;
        let step = long.steps.iter().find(|(most, _)| grams <= *most);
        let minutes = step.or(long.steps.last()).map_or(0, |s| s.1);
        alone = alone.max(minutes);
        let mut words = long.why.clone();
        if step.is_none() {
            let most = long.steps.last().map_or(Rational::ZERO, |s| s.0).decimal(3);
            words.en.push_str(&format!(" More than {most} g: the prescriber has to confirm amount and time."));
            words.zh.push_str(&format!("超过{most}克，须由医师确认用量和时间。"));
            words.zh_hant.push_str(&format!("超過{most}克，須由醫師確認用量和時間。"));
        }
        warnings.push(PotWarning { grave: true, text: words, lines: of_it.clone() });
        let unmarked: Vec<usize> = of_it.iter().copied().filter(|n| !first.contains(n)).collect();
        if !unmarked.is_empty() {
            warnings.push(PotWarning {
                grave: true,
                text: Text3 {
                    en: "The prescription does not say to cook these first. They are cooked first here.".into(),
                    zh: "处方未注明先煎，此处按先煎处理。".into(),
                    zh_hant: "處方未註明先煎，此處按先煎處理。".into(),
                },
                lines: unmarked,
            });
        }
    }
    let first: Vec<usize> = {
        let long = |n: &usize| d.long_boil.iter().any(|l| l.substances.contains(&m.substance(items[*n].substance).id));
        inside.iter().copied().filter(|n| first.contains(n) || long(n)).collect()
    };
    let last: Vec<usize> = of(Pot::AddLast).into_iter().filter(|n| inside.contains(n) && !first.contains(n)).collect();
    let before_end = last
        .iter()
        .filter_map(|n| handling(d, m.substance(items[*n].substance), Pot::AddLast)?.minutes)
        .map(|m| m[1])
        .max()
        .unwrap_or(5)
        .min(rule.first);
    // Water: what is taken up, what boils away, and what is to be drunk.
    let usual = match order.drinker {
        Drinker::Adult => d.pot.yield_adult,
        Drinker::Child => d.pot.yield_child,
        Drinker::Infant => d.pot.yield_infant,
    };
    let dose_ml = order.dose_ml.unwrap_or(middle(usual)?);
    if !dose_ml.is_positive() {
        return Err(PlanError::NoDoses);
    }
    let yield_ml = dose_ml.times(Rational::from(order.doses as i32)).ok_or_else(large)?;
    let rate = if rule.heat == Heat::Gentle { d.pot.evaporation_gentle } else { d.pot.evaporation_strong };
    let minutes = |n: u32| Rational::from(n as i32);
    let evaporated = rate.times(minutes(alone + rule.first)).ok_or_else(large)?;
    let twice = order.boilings >= 2;
    // The second boiling gives the smaller half; the dregs are wet by then and take up nothing.
    let (share_one, share_two) = if twice {
        (Rational::new(3, 5).unwrap_or(Rational::ONE), Rational::new(2, 5).unwrap_or(Rational::ZERO))
    } else {
        (Rational::ONE, Rational::ZERO)
    };
    let out_one = yield_ml.times(share_one).ok_or_else(large)?;
    let out_two = yield_ml.times(share_two).ok_or_else(large)?;
    let needed = absorbed.plus(evaporated).and_then(|x| x.plus(out_one)).ok_or_else(large)?;
    let first_water = up_to_ten(needed).ok_or_else(large)?;
    let second_water = if twice {
        let lost = rate.times(minutes(rule.second)).ok_or_else(large)?;
        up_to_ten(lost.plus(out_two).ok_or_else(large)?).ok_or_else(large)?
    } else {
        Rational::ZERO
    };
    let words_of = |list: &[usize], pot: Pot| {
        let mut words: Vec<Text3> = Vec::new();
        for n in list {
            if let Some(h) = handling(d, m.substance(items[*n].substance), pot) {
                let t = text(h);
                if !words.contains(&t) {
                    words.push(t);
                }
            }
        }
        words
    };
    // The time line.
    let gentle = rule.heat == Heat::Gentle;
    let mut steps = Vec::new();
    let mut at = 0;
    let mut step = |at: u32, what: PotAct, lines: Vec<usize>, words: Vec<Text3>| {
        steps.push(PotStep { at, what, lines, words });
    };
    let apart = of(Pot::CookApart);
    let main: Vec<usize> = inside.iter().copied().filter(|n| !first.contains(n) && !last.contains(n)).collect();
    let wrapped: Vec<usize> = of(Pot::Wrap).into_iter().filter(|n| inside.contains(n)).collect();
    let soaked: Vec<usize> = inside.iter().copied().filter(|n| !last.contains(n)).collect();
    let soak = PotAct::Soak { millilitres: first_water, minutes: rule.soak };
    step(at, soak, soaked, words_of(&wrapped, Pot::Wrap));
    at += rule.soak;
    if !apart.is_empty() {
        let long = apart
            .iter()
            .filter_map(|n| handling(d, m.substance(items[*n].substance), Pot::CookApart)?.minutes)
            .map(|m| m[1])
            .max()
            .unwrap_or(60);
        step(at, PotAct::CookApart { minutes: long }, apart.clone(), words_of(&apart, Pot::CookApart));
    }
    if !first.is_empty() {
        step(at, PotAct::BoilFirst { minutes: alone }, first.clone(), first_words);
        at += alone;
    }
    step(at, PotAct::Boil { minutes: rule.first, gentle }, main, Vec::new());
    if !last.is_empty() {
        let words = words_of(&last, Pot::AddLast);
        step(at + rule.first - before_end, PotAct::AddLast { minutes: before_end }, last, words);
    }
    at += rule.first;
    step(at, PotAct::Strain { millilitres: out_one }, Vec::new(), Vec::new());
    if twice {
        let again = PotAct::BoilAgain { millilitres: second_water, minutes: rule.second, gentle };
        step(at, again, Vec::new(), Vec::new());
        at += rule.second;
        step(at, PotAct::Strain { millilitres: out_two }, Vec::new(), Vec::new());
        step(at, PotAct::Combine { millilitres: yield_ml }, Vec::new(), Vec::new());
    }
    for (pot, what) in [(Pot::MeltIn, PotAct::MeltIn), (Pot::TakeWithLiquid, PotAct::TakeWith)] {
        let list = of(pot);
        if !list.is_empty() {
            let words = words_of(&list, pot);
            step(at, what, list, words);
        }
    }
    step(at, PotAct::Divide { doses: order.doses, millilitres: dose_ml }, Vec::new(), Vec::new());
    if let Some(v) = vessel.filter(|v| v.fit != Fit::Good) {
        warnings.push(PotWarning { grave: v.fit == Fit::Never, text: v.why.clone(), lines: Vec::new() });
    }
    for pot in [Pot::NotDecocted, Pot::ExternalOnly] {
        let list = of(pot);
        if list.is_empty() {
            continue;
        }
        for words in words_of(&list, pot) {
            warnings.push(PotWarning { grave: true, text: words, lines: list.clone() });
        }
    }
    Ok(CookingPlan {
        rule: rule.id.clone(),
        rule_words: Text3 { en: rule.en.clone(), zh: rule.zh.clone(), zh_hant: rule.zh_hant.clone() },
        taken_up,
        absorbed,
        evaporated,
        first_water,
        second_water,
        yield_ml,
        dose_ml,
        doses: order.doses,
        steps,
        minutes: at,
        vessel: vessel.map(|v| v.id.clone()),
        warnings,
    })
}
