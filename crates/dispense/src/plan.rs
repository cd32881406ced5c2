//! The dispensing plan: from grams a day to what is weighed, packed and taken.

use std::collections::BTreeMap;

use fangwright_amount::{Range, Rational};
use fangwright_formula::label;
use fangwright_materia::records::{Dispensing, Form, Pot, Preparation, Toxicity};
use fangwright_materia::{Materia, SubstanceIx};
use fangwright_safety::Case;
use jiff::civil::Date;
use schemars::JsonSchema;
use serde::Serialize;

use crate::arithmetic::{MixError, dilution};
use crate::pot::{CookingPlan, Drinker, PotItem, PotOrder, cooking, usual_ratio, usual_strength};
use crate::rounding::{RoundError, Share, round_list};
use crate::stock::{Pick, Product, Sort, Stock, StockError};

/// One ingredient as it is prescribed.
#[derive(Debug, Clone)]
pub struct Prescribed {
    /// The substance.
    pub substance: SubstanceIx,
    /// Raw grams a day.
    pub grams: Rational,
    /// Handling that the prescription asks for; empty for the substance's own.
    pub pots: Vec<Pot>,
}

/// What a case prescribes, the same substance with the same handling once; and the places of the portions that have no weight.
pub fn prescribed(case: &Case) -> (Vec<Prescribed>, Vec<usize>) {
    let mut items: Vec<Prescribed> = Vec::new();
    let mut unweighed = Vec::new();
    for (n, p) in case.portions.iter().enumerate() {
        let Some(grams) = p.grams.filter(|g| g.is_positive()) else {
            unweighed.push(n);
            continue;
        };
        let pots = p.handling();
        match items.iter_mut().find(|i| i.substance == p.substance && i.pots == pots) {
            Some(i) => i.grams = i.grams.plus(grams).unwrap_or(i.grams),
            None => items.push(Prescribed { substance: p.substance, grams, pots }),
        }
    }
    (items, unweighed)
}

/// What is to be made.
#[derive(Debug, Clone)]
pub struct Order {
    /// Which preparation (id of `dispensing/forms.toml`).
    pub preparation: String,
    /// Days it is to last.
    pub days: u32,
    /// Doses a day; the preparation's own where nothing is said.
    pub doses: Option<u32>,
    /// Grams that the scale resolves.
    pub scale: Rational,
    /// Who takes it.
    pub drinker: Drinker,
    /// Whether the patient's weight is known; a child's share cannot be reckoned without it.
    pub weight_known: bool,
    /// One boiling or two.
    pub boilings: u32,
    /// Millilitres of one dose of a decoction.
    pub dose_ml: Option<Rational>,
    /// The vessel (id).
    pub vessel: Option<String>,
    /// Finished grams, or millilitres of what is liquid, a day.
    pub daily: Option<Rational>,
    /// Weight of one pill.
    pub unit_grams: Option<Rational>,
    /// Grams of honey to one gram of powder.
    pub honey: Option<Rational>,
    /// Millilitres of solvent to one gram.
    pub ratio: Option<Rational>,
    /// Per cent of alcohol of the solvent.
    pub strength: Option<Rational>,
    /// Per cent of the alcohol in stock.
    pub spirit: Option<Rational>,
    /// Which product for a substance (ids), where there are several.
    pub products: BTreeMap<String, String>,
    /// A granule of a whole formula to build on (product id).
    pub whole: Option<String>,
    /// The day it is made.
    pub day: Date,
}

impl Order {
    /// An order with everything as usual: a scale of a tenth of a gram, an adult, two boilings, and what the data says of the
    /// preparation.
    pub fn new(preparation: &str, days: u32, day: Date) -> Order {
        Order {
            preparation: preparation.into(),
            days,
            doses: None,
            scale: Rational::new(1, 10).unwrap_or(Rational::ONE),
            drinker: Drinker::Adult,
            weight_known: true,
            boilings: 2,
            dose_ml: None,
            vessel: None,
            daily: None,
            unit_grams: None,
            honey: None,
            ratio: None,
            strength: None,
            spirit: None,
            products: BTreeMap::new(),
            whole: None,
            day,
        }
    }
}

/// How much a remark weighs.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Weight {
    /// It must not go out like this.
    Stop,
    /// Somebody has to look at it.
    Warn,
    /// Worth knowing.
    Note,
}

/// A remark on the plan.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct Remark {
    /// How much it weighs.
    pub weight: Weight,
    /// A stable word for what it is about.
    pub about: String,
    /// The line it concerns, from 0.
    pub line: Option<usize>,
    /// What is wrong and what to do.
    pub text: String,
}

/// How something is measured out.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Measure {
    /// Weighed.
    Scale,
    /// Counted in whole sachets.
    Sachets,
    /// Counted in whole spoons.
    Spoons,
}

/// One line of the worksheet.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct PlanLine {
    /// The substance; none for a granule of a whole formula.
    pub substance: Option<SubstanceIx>,
    /// The name on the jar: the product's, else the substance's.
    pub name: String,
    /// Raw grams a day that it stands for.
    pub raw: Rational,
    /// Its share of all raw grams.
    pub share: Rational,
    /// Raw grams in one gram of the product; 1 for pieces and powders.
    pub ratio: Rational,
    /// Where that ratio is from.
    pub ratio_from: RatioFrom,
    /// Exact grams of one pack or batch.
    pub exact: Rational,
    /// Grams that are weighed for it.
    pub weighed: Rational,
    /// How it is measured.
    pub measure: Measure,
    /// Grams of one sachet or spoon, or the step of the scale.
    pub unit: Rational,
    /// Sachets or spoons.
    pub count: Option<Rational>,
    /// Grams for the whole course.
    pub course: Rational,
    /// Product id, where stock has one.
    pub product: Option<String>,
    /// Lots, the first expiring first.
    pub picks: Vec<Pick>,
    /// Two or three words for the dispenser.
    pub handling: Vec<Pot>,
}

/// Where a ratio comes from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum RatioFrom {
    /// There is none: pieces, powders.
    None,
    /// The product in stock.
    Stock,
    /// The usual ratio of the data; the jar may say another.
    Usual,
}

/// What else goes into a preparation, and what comes out.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, JsonSchema)]
pub struct Finished {
    /// Finished grams a day.
    pub daily_grams: Option<Rational>,
    /// Millilitres a day.
    pub daily_ml: Option<Rational>,
    /// Grams of one dose.
    pub dose_grams: Option<Rational>,
    /// Millilitres of one dose.
    pub dose_ml: Option<Rational>,
    /// Grams of the whole batch.
    pub batch_grams: Option<Rational>,
    /// Millilitres of the whole batch.
    pub batch_ml: Option<Rational>,
    /// Grams of honey.
    pub honey: Option<Rational>,
    /// Grams of one pill.
    pub unit_grams: Option<Rational>,
    /// Pills of the batch.
    pub units: Option<Rational>,
    /// Pills of one dose: they differ by at most one, the larger in the morning.
    pub units_a_dose: Vec<u32>,
    /// Millilitres of solvent.
    pub solvent_ml: Option<Rational>,
    /// Its strength, per cent by volume.
    pub strength: Option<Rational>,
    /// Of it, millilitres of the alcohol in stock; water makes up the rest.
    pub spirit_ml: Option<Rational>,
    /// Millilitres of water to it.
    pub water_ml: Option<Rational>,
    /// Grams of pure alcohol a day.
    pub alcohol_a_day: Option<Rational>,
    /// Grams of sugar, least and most.
    pub sugar: Option<[Rational; 2]>,
    /// Days of steeping.
    pub steep_days: Option<u32>,
}

/// The whole plan.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct Plan {
    /// Preparation id.
    pub preparation: String,
    /// Days.
    pub days: u32,
    /// Doses a day.
    pub doses: u32,
    /// Packs: one a day for a decoction, one batch for what is made at once.
    pub packs: u32,
    /// The worksheet.
    pub lines: Vec<PlanLine>,
    /// Exact grams of one pack or batch.
    pub exact: Rational,
    /// Grams that are weighed.
    pub weighed: Rational,
    /// The largest error of a line, in grams.
    pub largest_error: Rational,
    /// What is made of it.
    pub finished: Finished,
    /// How it is cooked.
    pub cooking: Option<CookingPlan>,
    /// Last day of use.
    #[schemars(with = "Option<String>")]
    pub keep_until: Option<Date>,
    /// Whether it has to be kept cold.
    pub fridge: bool,
    /// What to look at, the gravest first.
    pub remarks: Vec<Remark>,
}

impl Plan {
    /// Whether it may go out.
    pub fn stands(&self) -> bool {
        self.remarks.iter().all(|r| r.weight != Weight::Stop)
    }
}

/// Why there is no plan.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum PlanError {
    /// Nothing to dispense.
    #[error("there is no ingredient with a weight to dispense")]
    Empty,
    /// No days.
    #[error("a course of no days cannot be dispensed; give at least one day")]
    NoDays,
    /// No doses, or doses of nothing.
    #[error("there has to be at least one dose, and more than nothing in it")]
    NoDoses,
    /// Too long to be meant.
    #[error("{0} days are more than a year; give at most 366")]
    TooManyDays(u32),
    /// No such preparation.
    #[error("`{asked}` is no preparation; the preparations are {known}")]
    Preparation {
        /// What was asked for.
        asked: String,
        /// All ids.
        known: String,
    },
    /// No such vessel.
    #[error("`{asked}` is no vessel; the vessels are {known}")]
    Vessel {
        /// What was asked for.
        asked: String,
        /// All ids.
        known: String,
    },
    /// The data has no rule.
    #[error("dispensing/pot.toml has no [[cooking]] that holds where no other does; mark one `default = true`")]
    NoCookingRule,
    /// An amount of nothing or less.
    #[error("{what} has to be above zero, and {value} is not")]
    NotPositive {
        /// What.
        what: &'static str,
        /// The value.
        value: Rational,
    },
    /// It cannot be rounded.
    #[error(transparent)]
    Round(Box<RoundError>),
    /// The alcohol cannot be mixed.
    #[error(transparent)]
    Mix(#[from] MixError),
    /// Stock says no.
    #[error(transparent)]
    Stock(Box<StockError>),
    /// A product that cannot serve.
    #[error("product `{product}` cannot serve: {why}")]
    Product {
        /// Product id.
        product: String,
        /// Why.
        why: String,
    },
    /// Numbers too large.
    #[error("the amounts are too large to be reckoned exactly")]
    TooLarge,
}

impl From<RoundError> for PlanError {
    fn from(e: RoundError) -> PlanError {
        PlanError::Round(Box::new(e))
    }
}

impl From<StockError> for PlanError {
    fn from(e: StockError) -> PlanError {
        PlanError::Stock(Box::new(e))
    }
}

fn large() -> PlanError {
    PlanError::TooLarge
}

fn whole(n: u32) -> Rational {
    Rational::from(i128::from(n))
}

/// The middle of a usual range.
pub(crate) fn middle(range: [Rational; 2]) -> Result<Rational, PlanError> {
    range[0].plus(range[1]).and_then(|sum| sum.over(Rational::from(2))).ok_or_else(large)
}

/// The share that is left after what is lost in making.
fn kept(prep: &Preparation) -> Result<Rational, PlanError> {
    Rational::ONE.minus(prep.loss.unwrap_or(Rational::ZERO)).ok_or_else(large)
}

/// What the data allows in the place of a substance. It goes one way: what stands in for a plant need not be replaced by it.
pub fn in_its_place(m: &Materia, substance: SubstanceIx) -> Vec<SubstanceIx> {
    m.substance(substance).swap.iter().filter_map(|id| m.substance_by_id(id)).collect()
}

/// What is known of how a line is measured, before it is rounded.
struct Draft {
    substance: Option<SubstanceIx>,
    name: String,
    raw: Rational,
    ratio: Rational,
    ratio_from: RatioFrom,
    product: Option<Product>,
    pots: Vec<Pot>,
}

struct Planner<'a> {
    m: &'a Materia,
    d: &'a Dispensing,
    stock: Option<&'a Stock>,
    order: &'a Order,
    prep: &'a Preparation,
    remarks: Vec<Remark>,
}

impl Planner<'_> {
    fn say(&mut self, weight: Weight, about: &str, line: Option<usize>, text: String) {
        self.remarks.push(Remark { weight, about: about.into(), line, text });
    }

    fn sort(&self) -> Sort {
        if self.prep.form == Form::Granules { Sort::Granule } else { Sort::Raw }
    }

    /// The product for a substance: the one asked for, else the first of the right sort with something usable.
    fn product(&mut self, substance: SubstanceIx) -> Result<Option<Product>, PlanError> {
        let Some(stock) = self.stock else { return Ok(None) };
        let id = &self.m.substance(substance).id;
        if let Some(asked) = self.order.products.get(id) {
            let p = stock.product(asked).ok_or_else(|| StockError::NoProduct(asked.clone()))?;
            if p.substance.as_deref() != Some(id.as_str()) {
                let why = format!("it is not {}", self.m.substance(substance).pinyin);
                return Err(PlanError::Product { product: asked.clone(), why });
            }
            return Ok(Some(p.clone()));
        }
        let usable = |p: &Product| stock.usable_grams(&p.id, self.order.day);
        Ok(stock.of_substance(id, self.sort()).max_by(|a, b| usable(a).cmp(&usable(b)).then(b.id.cmp(&a.id))).cloned())
    }

    fn name(&self, s: SubstanceIx) -> String {
        label(self.m, s)
    }

    fn draft(&mut self, p: &Prescribed) -> Result<Draft, PlanError> {
        let record = self.m.substance(p.substance);
        let product = self.product(p.substance)?;
        let name = self.name(p.substance);
        let (mut ratio, mut from) = (Rational::ONE, RatioFrom::None);
        if self.sort() == Sort::Granule {
            match product.as_ref().and_then(|x| x.ratio) {
                Some(r) => (ratio, from) = (r, RatioFrom::Stock),
                None => {
                    let usual = usual_ratio(self.d, record);
                    ratio = usual.filter(|r| r.is_positive()).unwrap_or(Rational::ONE);
                    from = RatioFrom::Usual;
                }
            }
        }
        let pots = if p.pots.is_empty() { record.pot.clone() } else { p.pots.clone() };
        Ok(Draft { substance: Some(p.substance), name, raw: p.grams, ratio, ratio_from: from, product, pots })
    }

    /// A granule of a whole formula as far as it goes, and what single granules have to add.
    fn on_whole(&mut self, items: &[Prescribed], id: &str) -> Result<Vec<Draft>, PlanError> {
        let bad = |why: &str| PlanError::Product { product: id.into(), why: why.into() };
        let stock = self.stock.ok_or_else(|| bad("there is no stock file"))?;
        let p = stock.product(id).ok_or_else(|| StockError::NoProduct(id.into()))?.clone();
        let of = p.formula.as_ref().ok_or_else(|| bad("it is no granule of a whole formula"))?;
        let ratio = p.ratio.ok_or_else(|| bad("its ratio of raw to granule is not entered"))?;
        let formula = self.m.formula_by_id(of).ok_or_else(|| bad("its formula is not in the data"))?;
        let record = self.m.formula(formula);
        let mut parts: Vec<(SubstanceIx, Rational)> = Vec::new();
        for i in &record.ingredients {
            let s =
                self.m.substance_by_id(&i.substance).ok_or_else(|| bad("its formula names an unknown substance"))?;
            let g = i.grams.ok_or_else(|| bad("its formula has an ingredient without modern grams"))?;
            match parts.iter_mut().find(|(have, _)| *have == s) {
                Some((_, sum)) => *sum = sum.plus(g).ok_or_else(large)?,
                None => parts.push((s, g)),
            }
        }
        // So much of the formula's daily dose that no ingredient is above what is prescribed.
        let mut factor: Option<Rational> = None;
        for (s, g) in &parts {
            let have = items.iter().find(|i| i.substance == *s).map_or(Rational::ZERO, |i| i.grams);
            let f = have.over(*g).ok_or_else(large)?;
            factor = Some(factor.map_or(f, |old| old.min(f)));
        }
        let factor = factor
            .filter(|f| f.is_positive())
            .ok_or_else(|| bad("the prescription lacks an ingredient of that formula, so nothing of it can be used"))?;
        let sum = parts.iter().try_fold(Rational::ZERO, |sum, (_, g)| sum.plus(*g)).ok_or_else(large)?;
        let raw = sum.times(factor).ok_or_else(large)?;
        let mut drafts = vec![Draft {
            substance: None,
            name: p.name.clone(),
            raw,
            ratio,
            ratio_from: RatioFrom::Stock,
            product: Some(p),
            pots: Vec::new(),
        }];
        for i in items {
            let inside = parts.iter().find(|(s, _)| *s == i.substance).map_or(Rational::ZERO, |(_, g)| *g);
            let inside = inside.times(factor).ok_or_else(large)?;
            let rest = i.grams.minus(inside).ok_or_else(large)?;
            if rest.is_positive() {
                drafts.push(self.draft(&Prescribed { grams: rest, ..i.clone() })?);
            }
        }
        let text = format!(
            "{} of the daily dose of {} is taken as its whole granule; single granules make up the difference exactly",
            factor, record.pinyin
        );
        self.say(Weight::Note, "whole formula", Some(0), text);
        Ok(drafts)
    }

    /// Whether a day's grams in this form are within the range that the data has for the form.
    fn ranges(&mut self, lines: &[PlanLine]) -> Result<(), PlanError> {
        let content = self.raw_a_day(lines)?;
        for (n, line) in lines.iter().enumerate() {
            let Some(s) = line.substance else { continue };
            let record = self.m.substance(s);
            let (range, what): (Option<Range>, &str) = match self.prep.form {
                form @ Form::Powder => (record.dose.swallowed(form), "powder"),
                form @ Form::Pill => (record.dose.swallowed(form), "pills"),
                Form::External => (None, "outside use"),
                _ => (record.dose.decoction, "decoction"),
            };
            let day = content[n];
            let name = self.name(s);
            match range {
                None if self.prep.form == Form::External => {}
                None => self.say(
                    Weight::Warn,
                    "dose",
                    Some(n),
                    format!("{name}: the data has no dose for {what}; {} g a day are not checked", day.decimal(3)),
                ),
                Some(r) if day > r.most => self.say(
                    if record.toxicity == Toxicity::None { Weight::Warn } else { Weight::Stop },
                    "dose",
                    Some(n),
                    format!(
                        "{name}: {} g a day are above the usual {} to {} g as {what}",
                        day.decimal(3),
                        r.least.decimal(3),
                        r.most.decimal(3)
                    ),
                ),
                Some(r) if day < r.least => self.say(
                    Weight::Note,
                    "dose",
                    Some(n),
                    format!(
                        "{name}: {} g a day are below the usual {} to {} g as {what}",
                        day.decimal(3),
                        r.least.decimal(3),
                        r.most.decimal(3)
                    ),
                ),
                Some(_) => {}
            }
        }
        Ok(())
    }

    /// Raw grams of each line that a day's doses hold, as weighed.
    fn raw_a_day(&self, lines: &[PlanLine]) -> Result<Vec<Rational>, PlanError> {
        let days = whole(self.order.days);
        let keep = kept(self.prep)?;
        let loses = !matches!(self.prep.form, Form::Decoction | Form::Granules | Form::Draft | Form::External);
        lines
            .iter()
            .map(|l| {
                let raw = l.course.times(l.ratio).and_then(|x| x.over(days)).ok_or_else(large)?;
                if loses { raw.times(keep).ok_or_else(large) } else { Ok(raw) }
            })
            .collect()
    }
}

/// Makes the plan.
///
/// # Errors
/// What cannot be planned at all; what should not go out is a [`Remark`] of the plan.
pub fn plan(m: &Materia, items: &[Prescribed], order: &Order, stock: Option<&Stock>) -> Result<Plan, PlanError> {
    let d = &*m.library().dispensing;
    let prep = d.preparation(&order.preparation).ok_or_else(|| PlanError::Preparation {
        asked: order.preparation.clone(),
        known: d.preparation.iter().map(|p| p.id.as_str()).collect::<Vec<_>>().join(", "),
    })?;
    if items.is_empty() {
        return Err(PlanError::Empty);
    }
    if order.days == 0 {
        return Err(PlanError::NoDays);
    }
    if order.days > 366 {
        return Err(PlanError::TooManyDays(order.days));
    }
    let doses = order.doses.or(prep.doses).unwrap_or(2);
    if doses == 0 {
        return Err(PlanError::NoDoses);
    }
    let above = |what: &'static str, value: Option<Rational>| match value {
        Some(value) if !value.is_positive() => Err(PlanError::NotPositive { what, value }),
        _ => Ok(()),
    };
    above("the step of the scale", Some(order.scale))?;
    above("the daily amount", order.daily)?;
    above("the weight of a pill", order.unit_grams)?;
    above("the honey", order.honey)?;
    above("the ratio", order.ratio)?;
    above("the strength", order.strength)?;
    above("the strength in stock", order.spirit)?;
    for i in items {
        above("a daily amount", Some(i.grams))?;
    }
    let mut p = Planner { m, d, stock, order, prep, remarks: Vec::new() };
    if order.drinker != Drinker::Adult && !order.weight_known {
        let text = "a child's share of the dose cannot be reckoned without the weight; ask for it".to_string();
        p.say(Weight::Stop, "weight", None, text);
    }
    let days = whole(order.days);
    let drafts = match &order.whole {
        Some(id) if prep.form == Form::Granules => p.on_whole(items, id)?,
        Some(id) => {
            let why = "whole-formula granules serve granules only".into();
            return Err(PlanError::Product { product: id.clone(), why });
        }
        None => items.iter().map(|i| p.draft(i)).collect::<Result<Vec<_>, _>>()?,
    };
    let raw_total = drafts
        .iter()
        .try_fold(Rational::ZERO, |sum, x| sum.plus(x.raw))
        .filter(|t| t.is_positive())
        .ok_or_else(large)?;

    // How much of the mixture one pack or batch holds, in grams of the drafts' raw weights.
    let mut finished = Finished { steep_days: prep.steep_days, ..Finished::default() };
    let one_a_day = matches!(prep.form, Form::Decoction | Form::Draft | Form::External);
    let packs = if one_a_day { order.days } else { 1 };
    // What the pack's grams are, for raw grams a day: times this.
    let factor: Rational = match prep.form {
        Form::Decoction | Form::Draft | Form::External => Rational::ONE,
        Form::Granules => days,
        Form::Powder | Form::Pill => {
            let usual = prep.daily_grams;
            let daily = match (order.daily, usual) {
                (Some(x), _) => x,
                (None, Some(r)) => middle(r)?,
                (None, None) => raw_total,
            };
            if let (Some(x), Some(r)) = (order.daily, usual)
                && !(r[0] <= x && x <= r[1])
            {
                let text = format!(
                    "{} g a day of the finished {} are outside the usual {} to {} g",
                    x.decimal(3),
                    prep.en.to_lowercase(),
                    r[0].decimal(3),
                    r[1].decimal(3)
                );
                p.say(Weight::Warn, "daily amount", None, text);
            }
            // Pills come whole: the day's amount follows them.
            let daily = match pill_of(order, prep, daily) {
                None => daily,
                Some(unit) => {
                    let count = daily.over(unit).ok_or_else(large)?.round().max(1);
                    let given = Rational::from(count).times(unit).ok_or_else(large)?;
                    if given != daily {
                        let text = format!(
                            "{} g a day are no whole number of pills of {} g; {count} pills are given, {} g",
                            daily.decimal(3),
                            unit.decimal(3),
                            given.decimal(3)
                        );
                        p.say(Weight::Note, "pills", None, text);
                    }
                    let pills = u32::try_from(count).map_err(|_| large())?;
                    finished.unit_grams = Some(unit);
                    finished.units = Some(Rational::from(count).times(days).ok_or_else(large)?);
                    finished.units_a_dose = (0..doses).map(|n| pills / doses + u32::from(n < pills % doses)).collect();
                    if finished.units_a_dose.contains(&0) {
                        let text = format!("{pills} pills a day cannot be split into {doses} doses; use smaller pills");
                        p.say(Weight::Stop, "pills", None, text);
                    }
                    given
                }
            };
            finished.daily_grams = Some(daily);
            finished.dose_grams = Some(daily.over(whole(doses)).ok_or_else(large)?);
            let batch = daily.times(days).ok_or_else(large)?;
            finished.batch_grams = Some(batch);
            let honey = order.honey.or(prep.honey.map(|h| h[1]));
            let powder = match honey {
                Some(h) => batch.over(Rational::ONE.plus(h).ok_or_else(large)?).ok_or_else(large)?,
                None => batch,
            };
            if let (Some(h), Some(range)) = (honey, prep.honey) {
                finished.honey = Some(powder.times(h).ok_or_else(large)?);
                if !(range[0] <= h && h <= range[2]) {
                    let text = format!(
                        "{} g of honey to one of powder are outside the usual {} to {}",
                        h.decimal(3),
                        range[0].decimal(3),
                        range[2].decimal(3)
                    );
                    p.say(Weight::Warn, "honey", None, text);
                }
            }
            powder.over(kept(prep)?).and_then(|raw| raw.over(raw_total)).ok_or_else(large)?
        }
        Form::Wine => {
            let ratio = order.ratio.or(prep.ratio).unwrap_or(Rational::from(5));
            let daily = match (order.daily, prep.daily_ml) {
                (Some(x), _) => x,
                (None, Some(r)) => middle(r)?,
                (None, None) => return Err(PlanError::NotPositive { what: "the daily amount", value: Rational::ZERO }),
            };
            finished.daily_ml = Some(daily);
            finished.dose_ml = Some(daily.over(whole(doses)).ok_or_else(large)?);
            let batch = daily.times(days).ok_or_else(large)?;
            finished.batch_ml = Some(batch);
            // What stays in the pressed drug is lost: so much more is set up.
            let solvent = batch.over(kept(prep)?).ok_or_else(large)?;
            finished.solvent_ml = Some(solvent);
            let strength = order.strength.or_else(|| {
                // The strength that most grams ask for.
                let mut sums: BTreeMap<Rational, Rational> = BTreeMap::new();
                for x in &drafts {
                    let s = usual_strength(d, m.substance(x.substance?));
                    let at = sums.entry(s.unwrap_or(Rational::from(45))).or_insert(Rational::ZERO);
                    *at = at.plus(x.raw)?;
                }
                sums.into_iter().max_by(|a, b| a.1.cmp(&b.1)).map(|(s, _)| s)
            });
            if let Some(strength) = strength {
                finished.strength = Some(strength);
                let spirit = order.spirit.unwrap_or(Rational::from(96));
                let ml = dilution(spirit, strength, solvent)?;
                finished.spirit_ml = Some(ml);
                finished.water_ml = solvent.minus(ml);
                // Density of ethanol 0.789 g/ml at 20 °C (CRC Handbook of Chemistry and Physics; from memory).
                let grams = Rational::new(789, 100_000).and_then(|x| x.times(strength)).and_then(|x| x.times(daily));
                finished.alcohol_a_day = grams;
                if order.drinker != Drinker::Adult {
                    let text = "a preparation with alcohol is not for a child; choose another form".to_string();
                    p.say(Weight::Stop, "alcohol", None, text);
                }
            }
            solvent.over(ratio).and_then(|raw| raw.over(raw_total)).ok_or_else(large)?
        }
        Form::Paste => {
            if let Some(r) = prep.daily_ml.or(prep.daily_grams) {
                let daily = order.daily.unwrap_or(middle(r)?);
                let batch = daily.times(days).ok_or_else(large)?;
                let dose = daily.over(whole(doses)).ok_or_else(large)?;
                if prep.daily_ml.is_some() {
                    (finished.daily_ml, finished.dose_ml, finished.batch_ml) = (Some(daily), Some(dose), Some(batch));
                } else {
                    finished.daily_grams = Some(daily);
                    (finished.dose_grams, finished.batch_grams) = (Some(dose), Some(batch));
                }
                let litres = batch.over(Rational::from(1000)).ok_or_else(large)?;
                finished.sugar = match prep.sugar {
                    Some([a, b]) => Some([a.times(litres).ok_or_else(large)?, b.times(litres).ok_or_else(large)?]),
                    None => None,
                };
            }
            days
        }
    };

    // Rounded together, so that the total is kept.
    let mut shares = Vec::with_capacity(drafts.len());
    for x in &drafts {
        let exact = x.raw.over(x.ratio).and_then(|g| g.times(factor)).ok_or_else(large)?;
        let (unit, _) = unit_of(x.product.as_ref(), order.scale);
        // A poisonous drug is not rounded up past its maximum, nor further above it.
        let limit = x.substance.filter(|s| m.substance(*s).toxicity != Toxicity::None).and_then(|s| {
            let dose = &m.substance(s).dose;
            let range = match prep.form {
                form @ (Form::Powder | Form::Pill) => dose.swallowed(form),
                _ => dose.usual(),
            };
            range?.most.over(x.ratio)?.times(if one_a_day { Rational::ONE } else { days })
        });
        shares.push(Share { exact, unit, most: limit.map(|l| l.max(exact)) });
    }
    let rounded = match round_list(&shares) {
        Ok(r) => r,
        Err(RoundError::Vanishes { index, exact, unit, most }) => {
            let text = format!(
                "{}: {} g is less than one step of {} g, and a whole step would pass the limit of {} g; use a finer scale, or weigh for several days at once",
                drafts[index].name,
                exact.decimal(4),
                unit.decimal(4),
                most.decimal(4)
            );
            p.say(Weight::Stop, "scale", Some(index), text);
            // The others are rounded without it; it stands with its exact weight.
            let mut without = shares.clone();
            without[index].unit = exact;
            without[index].most = None;
            round_list(&without)?
        }
        Err(e) => return Err(e.into()),
    };
    let half = order.scale.over(Rational::from(2)).ok_or_else(large)?;
    if rounded.off.abs() > half {
        let text = format!(
            "the weighed total is {} g off the exact one: {}",
            rounded.off.abs().decimal(3),
            if rounded.held.is_empty() {
                "some amounts are below one step"
            } else {
                "limits of poisonous drugs hold amounts down"
            }
        );
        p.say(Weight::Note, "rounding", None, text);
    }
    for n in &rounded.raised {
        let text = format!(
            "{}: {} g were raised to one step of {} g",
            drafts[*n].name,
            shares[*n].exact.decimal(4),
            shares[*n].unit.decimal(4)
        );
        p.say(Weight::Warn, "rounding", Some(*n), text);
    }
    let exact_total = shares.iter().try_fold(Rational::ZERO, |sum, s| sum.plus(s.exact)).ok_or_else(large)?;
    let mut lines = Vec::with_capacity(drafts.len());
    let mut largest_error = Rational::ZERO;
    for (n, (x, share)) in drafts.into_iter().zip(&shares).enumerate() {
        let weighed = rounded.parts[n];
        let error = weighed.minus(share.exact).ok_or_else(large)?.abs();
        largest_error = largest_error.max(error);
        let (unit, measure) = unit_of(x.product.as_ref(), order.scale);
        let course = weighed.times(whole(packs)).ok_or_else(large)?;
        let mut picks = Vec::new();
        match (&x.product, p.stock) {
            (Some(product), Some(stock)) => match stock.pick(&product.id, course, order.day) {
                Ok(found) => picks = found,
                Err(e) => p.say(Weight::Stop, "stock", Some(n), e.to_string()),
            },
            (None, Some(stock)) => {
                let mut text = format!("{}: no product in stock", x.name);
                // Only what the data allows in its place, and only what is there; the choice is the prescriber's.
                let swaps = x.substance.map(|s| in_its_place(m, s)).unwrap_or_default();
                let there: Vec<String> = swaps
                    .into_iter()
                    .filter(|s| stock.of_substance(&m.substance(*s).id, p.sort()).next().is_some())
                    .map(|s| p.name(s))
                    .collect();
                if !there.is_empty() {
                    text.push_str(&format!(
                        "; in stock, and allowed in its place by the data: {}; that is another prescription, to be checked anew",
                        there.join(", ")
                    ));
                }
                p.say(Weight::Stop, "stock", Some(n), text);
            }
            (_, None) => {}
        }
        if x.ratio_from == RatioFrom::Usual {
            let text = format!(
                "{}: {} g raw to one of granule is the usual ratio, not your jar's; enter the product with its ratio",
                x.name,
                x.ratio.decimal(2)
            );
            p.say(Weight::Warn, "ratio", Some(n), text);
        }
        let ends = order.day.saturating_add(jiff::Span::new().days(i64::from(order.days)));
        if let Some(stock) = p.stock {
            let early = picks.iter().filter_map(|pick| {
                let state = stock.lot_of(pick)?;
                (state.lot.expiry < ends).then(|| format!("lot {} expires on {}", pick.lot, state.lot.expiry))
            });
            let early: Vec<String> = early.collect();
            if !early.is_empty() {
                let text = format!("{}: {}, before the course ends on {ends}", x.name, early.join(", "));
                p.say(Weight::Warn, "expiry", Some(n), text);
            }
        }
        lines.push(PlanLine {
            substance: x.substance,
            name: x.name,
            raw: x.raw,
            share: x.raw.over(raw_total).ok_or_else(large)?,
            ratio: x.ratio,
            ratio_from: x.ratio_from,
            exact: share.exact,
            weighed,
            measure,
            unit,
            count: if measure == Measure::Scale { None } else { weighed.over(unit) },
            course,
            product: x.product.map(|p| p.id),
            picks,
            handling: x.pots,
        });
    }
    p.ranges(&lines)?;

    // The pot.
    let cooked = matches!(prep.form, Form::Decoction | Form::Draft) || prep.water_times.is_some();
    let mut cooking_plan = None;
    if cooked {
        let pot_items: Vec<PotItem> = lines
            .iter()
            .filter_map(|l| Some(PotItem { substance: l.substance?, grams: l.weighed, pots: l.handling.clone() }))
            .collect();
        let pot_order = PotOrder {
            drinker: order.drinker,
            doses,
            boilings: if prep.water_times.is_some() { 1 } else { order.boilings },
            dose_ml: match (order.dose_ml, prep.water_times) {
                (Some(ml), _) => Some(ml),
                (None, Some(times)) => rounded.total.times(times).and_then(|ml| ml.over(whole(doses))),
                (None, None) => None,
            },
            vessel: order.vessel.clone(),
            plain: prep.water_times.is_some(),
        };
        let c = cooking(m, &pot_items, &pot_order)?;
        for w in &c.warnings {
            p.remarks.push(Remark {
                weight: if w.grave { Weight::Warn } else { Weight::Note },
                about: "pot".into(),
                line: w.lines.first().copied(),
                text: w.text.en.clone(),
            });
        }
        cooking_plan = Some(c);
    } else {
        // What must be boiled long has no place in a form that is not boiled.
        for (n, l) in lines.iter().enumerate() {
            let Some(s) = l.substance else { continue };
            let id = &m.substance(s).id;
            if let Some(long) = d.long_boil.iter().find(|x| x.substances.contains(id))
                && m.substance(s).toxicity != Toxicity::None
                && prep.form != Form::Granules
            {
                let name = p.name(s);
                let text = format!("{name} has to be boiled long, and this form is not boiled. {}", long.why.en);
                p.say(Weight::Stop, "pot", Some(n), text);
            }
        }
    }
    p.remarks.sort_by_key(|r| (r.weight, r.line));
    let keep_until = prep.shelf_days.map(|n| {
        // A decoction is cooked pack by pack: the dry packs keep as long as their course.
        let n = if one_a_day { order.days.max(n) } else { n };
        order.day.saturating_add(jiff::Span::new().days(i64::from(n)))
    });
    Ok(Plan {
        preparation: prep.id.clone(),
        days: order.days,
        doses,
        packs,
        exact: exact_total,
        weighed: rounded.total,
        largest_error,
        lines,
        finished,
        cooking: cooking_plan,
        keep_until,
        fridge: prep.fridge,
        remarks: p.remarks,
    })
}

/// The pill: the one asked for, else of the usual weights the one that comes nearest to the day's amount, the larger of two.
fn pill_of(order: &Order, prep: &Preparation, daily: Rational) -> Option<Rational> {
    let off = |unit: &Rational| -> Option<Rational> {
        let count = Rational::from(daily.over(*unit)?.round().max(1));
        Some(count.times(*unit)?.minus(daily)?.abs())
    };
    order.unit_grams.or_else(|| prep.unit_grams.iter().copied().min_by(|a, b| off(a).cmp(&off(b)).then(b.cmp(a))))
}

fn unit_of(product: Option<&Product>, scale: Rational) -> (Rational, Measure) {
    match product {
        Some(Product { sachet: Some(g), .. }) => (*g, Measure::Sachets),
        Some(Product { spoon: Some(g), .. }) => (*g, Measure::Spoons),
        _ => (scale, Measure::Scale),
    }
}
