//! The best change of a formula for this patient: what is needed, within what is allowed, at the least cost.

use std::collections::{BTreeMap, BTreeSet};
use std::time::Duration;

use fangwright_amount::Rational;
use fangwright_formula::label;
use fangwright_materia::records::{Form, Lean, Modifying, Pot, Role, RuleKind, Severity, Tendency};
use fangwright_materia::{Materia, SubstanceIx};
use fangwright_safety::{Case, Facts, Portion, Rulebook, Scratch};
use rustc_hash::FxHashMap;
use schemars::JsonSchema;
use serde::Serialize;

use crate::model::{Model, Row, Solved};

/// One ingredient of the base.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct BaseItem {
    /// Which.
    pub substance: SubstanceIx,
    /// Grams a day.
    pub grams: Option<Rational>,
    /// Its office.
    pub role: Role,
}

/// What is asked for.
#[derive(Debug, Clone, Default)]
pub struct Wish {
    /// The base formula or prescription.
    pub base: Vec<BaseItem>,
    /// Pattern ids.
    pub patterns: Vec<String>,
    /// Further actions that are needed.
    pub needs: Vec<String>,
    /// These stay.
    pub keep: Vec<SubstanceIx>,
    /// These do not come in, and go out where they are.
    pub dislikes: Vec<SubstanceIx>,
    /// Most ingredients.
    pub most_ingredients: Option<u32>,
    /// Most grams a day.
    pub most_grams: Option<Rational>,
    /// Only these can be had; none: everything can.
    pub stock: Option<BTreeSet<SubstanceIx>>,
    /// Price of a gram in hundredths of a coin, where it is known.
    pub prices: BTreeMap<SubstanceIx, u32>,
    /// Most hundredths of a coin a day.
    pub most_price: Option<u32>,
    /// How it is taken.
    pub form: Option<Form>,
    /// For how many days.
    pub days: Option<u32>,
}

/// Something that has to hold.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
#[serde(rename_all = "kebab-case", tag = "demand")]
pub enum Demand {
    /// An action is covered.
    Need {
        /// Action id.
        action: String,
    },
    /// The mean nature is not on the side that is not wanted.
    Nature {
        /// The side wanted: hot, warming; cold, cooling.
        wanted: Lean,
    },
    /// The mean movement is not against the way that is wanted.
    Movement {
        /// The way wanted.
        wanted: Tendency,
    },
    /// A substance stays.
    Keep {
        /// Which.
        substance: SubstanceIx,
    },
    /// No more ingredients than this.
    Ingredients {
        /// Most.
        most: u32,
    },
    /// No more grams a day than this.
    Weight {
        /// Most.
        most: Rational,
    },
    /// No dearer than this.
    Price {
        /// Most, hundredths of a coin a day.
        most: u32,
    },
    /// Two that hurt each other are not together.
    Pair {
        /// Rule id.
        rule: String,
    },
    /// A constituent does not add up beyond its limit, or another rule on several together.
    Together {
        /// Rule id.
        rule: String,
    },
}

/// What happened to an ingredient.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Fate {
    /// Stays as it is.
    Kept,
    /// Stays in another dose.
    Redosed,
    /// Comes in.
    Added,
    /// Goes out.
    Removed,
}

/// One ingredient of a proposal, or one that goes out.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct Line {
    /// Which.
    pub substance: SubstanceIx,
    /// Grams a day.
    pub grams: Option<Rational>,
    /// What happened to it.
    pub fate: Fate,
    /// Needs it serves: action id and strength, 3 for the first of its actions, 2 for the second, 1 for others.
    pub serves: Vec<(String, i32)>,
    /// Why.
    pub why: Vec<String>,
    /// Its part of the cost.
    pub cost: i32,
}

/// A change.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct Proposal {
    /// The whole cost: the sum of the lines.
    pub cost: i32,
    /// What stays, comes in and goes out.
    pub lines: Vec<Line>,
    /// For each need what covers it.
    pub covered: Vec<(String, Vec<SubstanceIx>)>,
    /// Findings of the upper two severities that stand: none, or it would not be proposed.
    pub grave: Vec<String>,
}

/// Why a substance that serves a need was not to be had.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct Rejected {
    /// Which.
    pub substance: SubstanceIx,
    /// Needs that it would serve.
    pub serves: Vec<String>,
    /// Why not.
    pub why: String,
}

/// What the search comes to.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct Modified {
    /// Best first; each differs from the others in at least two substances.
    pub proposals: Vec<Proposal>,
    /// Whether each is proven to be the best that was left.
    pub proven: bool,
    /// Where nothing is possible: a smallest set of demands that cannot hold together.
    pub conflict: Vec<Demand>,
    /// Substances that serve a need and were left out, with the reason.
    pub rejected: Vec<Rejected>,
    /// All demands.
    pub demands: Vec<Demand>,
    /// The weights of the objective.
    pub weights: Modifying,
    /// How many substances were considered.
    pub considered: usize,
}

/// A wish that cannot be worked on.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum WishError {
    /// No base.
    #[error("there is no base to change; name a formula or write a prescription")]
    NoBase,
    /// A pattern that is none.
    #[error("there is no pattern `{0}`; `fangwright patterns` lists them")]
    Pattern(String),
    /// An action that is none.
    #[error("there is no action `{0}`; see vocabulary/actions.toml")]
    Action(String),
    /// Nothing is needed.
    #[error("nothing is needed: give a pattern or an action")]
    NoNeed,
    /// No weights.
    #[error("the data has no weights for changes; see modifying.toml")]
    NoWeights,
}

/// What formulas say of substances: how often they stand in formulas for a pattern, and beside each other.
pub struct Customs {
    by_pattern: FxHashMap<(String, SubstanceIx), u32>,
    formulas: FxHashMap<String, u32>,
    in_all: Vec<u32>,
    beside: FxHashMap<(SubstanceIx, SubstanceIx), u32>,
}

impl Customs {
    /// Counts over the formula collection.
    pub fn new(m: &Materia) -> Customs {
        let mut customs = Customs {
            by_pattern: FxHashMap::default(),
            formulas: FxHashMap::default(),
            in_all: vec![0; m.library().substances.len()],
            beside: FxHashMap::default(),
        };
        for (ix, f) in m.formulas() {
            let set: BTreeSet<SubstanceIx> = m.ingredients(ix).into_iter().collect();
            for p in &f.patterns {
                *customs.formulas.entry(p.clone()).or_default() += 1;
                for s in &set {
                    *customs.by_pattern.entry((p.clone(), *s)).or_default() += 1;
                }
            }
            for a in &set {
                customs.in_all[a.0 as usize] += 1;
                for b in &set {
                    *customs.beside.entry((*a, *b)).or_default() += 1;
                }
            }
        }
        customs
    }
}

/// How long the solver may take for one proposal.
const TIME: Duration = Duration::from_millis(1500);
/// How often a proposal that a rule on the whole forbids is cut off and the search goes on.
const MOST_CUTS: usize = 40;

/// One way of giving a substance.
#[derive(Debug, Clone)]
struct Choice {
    substance: SubstanceIx,
    grams: Option<Rational>,
    base: bool,
    redosed: bool,
    cost: i32,
}

struct Search<'a> {
    m: &'a Materia,
    book: &'a Rulebook,
    facts: &'a Facts,
    customs: &'a Customs,
    wish: &'a Wish,
    weights: Modifying,
    needs: Vec<String>,
    unwanted_actions: BTreeSet<String>,
    direction: Option<Tendency>,
    nature: Option<Lean>,
    unwanted_way: Option<bool>,
    unwanted_side: Option<Lean>,
}

/// The best changes of a base for what is needed.
///
/// # Errors
/// Where the wish names nothing to work on, or what nobody knows.
pub fn modify(
    m: &Materia,
    book: &Rulebook,
    customs: &Customs,
    facts: &Facts,
    wish: &Wish,
    most: usize,
) -> Result<Modified, WishError> {
    let search = Search::new(m, book, facts, customs, wish)?;
    Ok(search.run(most))
}

fn role_cost(w: &Modifying, role: Role) -> i32 {
    match role {
        Role::Chief => w.remove_chief,
        Role::Deputy => w.remove_deputy,
        Role::Assistant => w.remove_assistant,
        Role::Envoy => w.remove_envoy,
    }
}

/// Strength with which a substance serves an action: by its place among the actions.
fn strength(m: &Materia, s: SubstanceIx, action: &str) -> i32 {
    match m.substance(s).actions.iter().position(|a| a == action) {
        Some(0) => 3,
        Some(1) => 2,
        Some(_) => 1,
        None => 0,
    }
}

/// Net way of a substance: up, down, or neither.
fn way(m: &Materia, s: SubstanceIx) -> i32 {
    m.substance(s).tendency.iter().map(|t| if t.is_upward() { 1 } else { -1 }).sum::<i32>().signum()
}

impl<'a> Search<'a> {
    fn new(
        m: &'a Materia,
        book: &'a Rulebook,
        facts: &'a Facts,
        customs: &'a Customs,
        wish: &'a Wish,
    ) -> Result<Search<'a>, WishError> {
        let library = m.library();
        if wish.base.is_empty() {
            return Err(WishError::NoBase);
        }
        let mut needs: Vec<String> = Vec::new();
        let mut search = Search {
            m,
            book,
            facts,
            customs,
            wish,
            weights: library.modifying.clone().ok_or(WishError::NoWeights)?,
            needs: Vec::new(),
            unwanted_actions: BTreeSet::new(),
            direction: None,
            nature: None,
            unwanted_way: None,
            unwanted_side: None,
        };
        for id in &wish.patterns {
            let p = library.patterns.get(id).ok_or_else(|| WishError::Pattern(id.clone()))?;
            needs.extend(p.needs.iter().cloned());
            search.unwanted_actions.extend(p.unwanted.actions.iter().cloned());
            // Of several patterns the first that says something of it is followed.
            search.direction = search.direction.or(p.direction);
            search.nature = search.nature.or(p.nature);
            search.unwanted_way = search.unwanted_way.or(p.unwanted.tendency.map(Tendency::is_upward));
            search.unwanted_side = search.unwanted_side.or(p.unwanted.nature);
        }
        for id in &wish.needs {
            let action = library.actions.get(id).ok_or_else(|| WishError::Action(id.clone()))?;
            // An action that moves somewhere asks that nothing moves the other way.
            search.direction = search.direction.or(action.direction);
            needs.push(id.clone());
        }
        let mut seen = BTreeSet::new();
        needs.retain(|n| seen.insert(n.clone()));
        search.unwanted_actions.retain(|a| !needs.contains(a));
        if needs.is_empty() {
            return Err(WishError::NoNeed);
        }
        search.needs = needs;
        Ok(search)
    }

    fn serves(&self, s: SubstanceIx) -> Vec<(String, i32)> {
        let all = self.needs.iter().map(|n| (n.clone(), strength(self.m, s, n)));
        all.filter(|(_, k)| *k > 0).collect()
    }

    /// Middle of the usual range.
    fn middle(&self, s: SubstanceIx) -> Option<Rational> {
        let middle = self.m.substance(s).dose.usual()?.middle()?;
        // Whole grams read better; under three grams halves do.
        let (n, d) = if middle >= Rational::from(3) { (1, 1) } else { (2, 1) };
        let scaled = middle.times(Rational::new(n, d)?)?.round();
        Rational::new(scaled, n).filter(|g| g.is_positive())
    }

    /// The gravest rule that this substance alone breaks for this patient, where it is a caution or graver.
    fn worst(&self, s: SubstanceIx, grams: Option<Rational>, scratch: &mut Scratch) -> Option<(Severity, String)> {
        let pots: Vec<Pot> = self.m.substance(s).pot.clone();
        let case = Case {
            portions: vec![Portion::new(s, grams, &pots, 0)],
            form: self.wish.form,
            days: self.wish.days,
            ..Case::default()
        };
        let hits = self.book.scan(self.m, &case, self.facts, scratch);
        // A paper that a border asks for is no caution for the body; a trade that is forbidden is one for all.
        let counts = |h: &&fangwright_safety::Hit| {
            let law = self.book.rules()[h.rule()].test.kind() == RuleKind::Law;
            !(self.book.is_gap(h) || law && self.book.severity(h) > Severity::Grave)
        };
        let worst = hits.iter().filter(counts).min_by_key(|h| self.book.severity(h))?;
        let severity = self.book.severity(worst);
        (severity <= Severity::Caution).then(|| (severity, self.book.rules()[worst.rule()].id.clone()))
    }

    /// A rule of the upper two severities that it breaks.
    fn forbidden(&self, s: SubstanceIx, grams: Option<Rational>, scratch: &mut Scratch) -> Option<String> {
        self.worst(s, grams, scratch).filter(|(severity, _)| *severity <= Severity::Grave).map(|(_, rule)| rule)
    }

    /// Points for a caution that a rule asks for with this patient, with the rule.
    fn caution(&self, s: SubstanceIx, grams: Option<Rational>) -> (i32, Option<String>) {
        match self.worst(s, grams, &mut Scratch::default()) {
            Some((Severity::Caution, rule)) => (self.weights.caution, Some(format!("caution: rule {rule}"))),
            _ => (0, None),
        }
    }

    /// Points for what speaks against a substance in these patterns, with the reasons.
    fn against(&self, s: SubstanceIx) -> (i32, Vec<String>) {
        let w = &self.weights;
        let record = self.m.substance(s);
        let mut cost = 0;
        let mut why = Vec::new();
        let wanted_up = self.direction.map(Tendency::is_upward).or(self.unwanted_way.map(|up| !up));
        if let Some(up) = wanted_up {
            let goes = way(self.m, s);
            // What comes for a need may move as it will: the demand on the whole holds it in check.
            if goes == if up { -1 } else { 1 } && self.serves(s).is_empty() {
                cost += w.against_movement;
                let (moves, wanted) = if up { ("downward", "lifted") } else { ("upward", "brought down") };
                why.push(format!("it moves {moves}, where the qi has to be {wanted}"));
            }
        }
        let degree = record.nature.degree();
        let wrong_side = |lean: Lean| if lean == Lean::Cold { degree < -1 } else { degree > 1 };
        let unwanted = self.unwanted_side.or(self.nature.map(|n| if n == Lean::Hot { Lean::Cold } else { Lean::Hot }));
        if unwanted.is_some_and(wrong_side) {
            cost += w.against_nature;
            why.push(format!("it is {}, the side that is not wanted", record.nature));
        }
        for a in record.actions.iter().take(2).filter(|a| self.unwanted_actions.contains(*a)) {
            cost += w.unwanted_action;
            let name = self.m.library().actions.get(a).map_or(a.as_str(), |x| x.en.as_str());
            why.push(format!("it is used to {name}, which does harm here"));
        }
        (cost, why)
    }

    /// How customary a substance is for these patterns and beside this base: less cost, up to the weight in the data.
    fn custom(&self, s: SubstanceIx) -> (i32, String) {
        let w = &self.weights;
        let mut share = 0u32;
        let mut of = 0u32;
        for p in &self.wish.patterns {
            share += self.customs.by_pattern.get(&(p.clone(), s)).copied().unwrap_or(0);
            of += self.customs.formulas.get(p).copied().unwrap_or(0);
        }
        let beside: u32 =
            self.wish.base.iter().map(|b| self.customs.beside.get(&(s, b.substance)).copied().unwrap_or(0)).sum();
        let all = self.customs.in_all[s.0 as usize];
        let steps = |n: u32| (32 - n.leading_zeros()) as i32;
        let of_patterns = if of == 0 { 0 } else { (6 * share).div_ceil(of) as i32 };
        let mut points = (of_patterns + steps(share) + steps(beside / 2) + steps(all / 8)).min(w.customary);
        if all < 3 {
            points -= w.unheard;
        }
        (
            points,
            format!("in {share} of {of} formulas for these patterns, {beside} times beside an ingredient of the base"),
        )
    }

    fn choices(&self, rejected: &mut Vec<Rejected>) -> Vec<Choice> {
        let w = &self.weights;
        let mut scratch = Scratch::default();
        let mut choices = Vec::new();
        for item in &self.wish.base {
            let s = item.substance;
            if self.wish.dislikes.contains(&s) {
                continue;
            }
            if let Some(rule) = self.forbidden(s, item.grams, &mut scratch) {
                // Perhaps in its usual dose.
                let usual = self.middle(s);
                if item.grams.is_some() && usual != item.grams && self.forbidden(s, usual, &mut scratch).is_none() {
                    let cost = w.redose + self.against(s).0 - role_cost(w, item.role);
                    choices.push(Choice { substance: s, grams: usual, base: true, redosed: true, cost });
                } else {
                    rejected.push(Rejected { substance: s, serves: Vec::new(), why: format!("rule {rule}") });
                }
                continue;
            }
            // Staying costs what speaks against it, and saves what taking it out would cost.
            let stays = self.against(s).0 - role_cost(w, item.role);
            choices.push(Choice { substance: s, grams: item.grams, base: true, redosed: false, cost: stays });
            let low = self.m.substance(s).dose.usual().map(|r| r.least);
            if low.is_some() && item.grams.is_some() && low < item.grams {
                let cost = stays + w.redose;
                choices.push(Choice { substance: s, grams: low, base: true, redosed: true, cost });
            }
        }
        for (s, record) in self.m.substances() {
            if self.wish.base.iter().any(|b| b.substance == s) {
                continue;
            }
            let serves = self.serves(s);
            if serves.is_empty() {
                continue;
            }
            let needs = || serves.iter().map(|x| x.0.clone()).collect::<Vec<_>>();
            let mut reject = |why: String| rejected.push(Rejected { substance: s, serves: needs(), why });
            if self.wish.dislikes.contains(&s) {
                reject("not wanted by the patient".into());
                continue;
            }
            if self.wish.stock.as_ref().is_some_and(|stock| !stock.contains(&s)) {
                reject("not in stock".into());
                continue;
            }
            if record.dose.usual().is_none() {
                reject("no dose to be taken inside".into());
                continue;
            }
            // A form of something in the base would only double it.
            let root = self.m.raw_form(s);
            if self.wish.base.iter().any(|b| self.m.raw_form(b.substance) == root) {
                reject("a form of it is in the base already".into());
                continue;
            }
            let grams = self.middle(s);
            let care = match self.worst(s, grams, &mut scratch) {
                Some((Severity::Caution, _)) => w.caution,
                Some((_, rule)) => {
                    reject(format!("rule {rule}"));
                    continue;
                }
                None => 0,
            };
            let (against, _) = self.against(s);
            let cost = w.add + against + care - self.custom(s).0;
            choices.push(Choice { substance: s, grams, base: false, redosed: false, cost });
        }
        choices
    }

    fn weight_of(&self, c: &Choice) -> i32 {
        // Dose over usual dose, in tenths.
        let usual = self.m.substance(c.substance).dose.usual().and_then(|r| r.middle());
        match (c.grams, usual) {
            (Some(g), Some(u)) => {
                let tenths = g.over(u).and_then(|x| x.times(Rational::from(10))).map(Rational::round);
                tenths.and_then(|t| i32::try_from(t).ok()).unwrap_or(10).clamp(1, 100)
            }
            _ => 10,
        }
    }

    fn hundredths(g: Rational) -> i32 {
        let scaled = g.times(Rational::from(100)).map(Rational::round);
        scaled.and_then(|s| i32::try_from(s).ok()).unwrap_or(i32::MAX / 4096)
    }

    fn model(&self, choices: &[Choice]) -> (Model, Vec<Demand>) {
        let w = &self.weights;
        let mut demands: Vec<Demand> = Vec::new();
        let mut rows: Vec<Row> = Vec::new();
        let mut by: BTreeMap<SubstanceIx, Vec<usize>> = BTreeMap::new();
        for (i, c) in choices.iter().enumerate() {
            by.entry(c.substance).or_default().push(i);
        }
        for ways in by.values().filter(|w| w.len() > 1) {
            rows.push(Row { terms: ways.iter().map(|i| (*i, -1)).collect(), least: -1, demand: None });
        }
        // Two forms of one substance do not come in together.
        let mut roots: BTreeMap<SubstanceIx, Vec<usize>> = BTreeMap::new();
        for (i, c) in choices.iter().enumerate().filter(|(_, c)| !c.base) {
            roots.entry(self.m.raw_form(c.substance)).or_default().push(i);
        }
        for ways in roots.values().filter(|w| w.len() > 1) {
            rows.push(Row { terms: ways.iter().map(|i| (*i, -1)).collect(), least: -1, demand: None });
        }
        let mut demand = |what: Demand, terms: Vec<(usize, i32)>, least: i32, rows: &mut Vec<Row>| {
            demands.push(what);
            rows.push(Row { terms, least, demand: Some(demands.len() - 1) });
        };
        let all = |f: &dyn Fn(&Choice) -> i32| -> Vec<(usize, i32)> {
            choices.iter().enumerate().map(|(i, c)| (i, f(c))).filter(|(_, n)| *n != 0).collect()
        };
        for need in &self.needs {
            let terms = all(&|c| strength(self.m, c.substance, need));
            demand(Demand::Need { action: need.clone() }, terms, w.strength_needed, &mut rows);
        }
        if let Some(wanted) = self.nature {
            let sign = if wanted == Lean::Hot { 1 } else { -1 };
            let terms = all(&|c| {
                let degree = self.m.substance(c.substance).nature.degree() as i32;
                sign * degree * self.weight_of(c)
            });
            demand(Demand::Nature { wanted }, terms, 0, &mut rows);
        }
        if let Some(wanted) = self.direction {
            let sign = if wanted.is_upward() { 1 } else { -1 };
            let terms = all(&|c| sign * way(self.m, c.substance) * self.weight_of(c));
            demand(Demand::Movement { wanted }, terms, 0, &mut rows);
        }
        for s in &self.wish.keep {
            demand(Demand::Keep { substance: *s }, all(&|c| i32::from(c.substance == *s)), 1, &mut rows);
        }
        let most = self.wish.most_ingredients.unwrap_or(w.most_ingredients);
        demand(Demand::Ingredients { most }, all(&|_| -1), -(most as i32), &mut rows);
        if let Some(most) = self.wish.most_grams {
            let terms = all(&|c| c.grams.map_or(0, |g| -Search::hundredths(g)));
            demand(Demand::Weight { most }, terms, -Search::hundredths(most), &mut rows);
        }
        if let Some(most) = self.wish.most_price {
            let terms = all(&|c| {
                let price = self.wish.prices.get(&c.substance).copied().unwrap_or(0);
                let cost = c.grams.and_then(|g| g.times(Rational::from(i128::from(price)))).map(Rational::round);
                -cost.and_then(|x| i32::try_from(x).ok()).unwrap_or(0)
            });
            demand(Demand::Price { most }, terms, -(i32::try_from(most).unwrap_or(i32::MAX)), &mut rows);
        }
        // Pairs of the upper two severities: nobody of one side with anybody of the other.
        let here: BTreeMap<SubstanceIx, &Vec<usize>> = by.iter().map(|(s, w)| (*s, w)).collect();
        for (number, rule) in self.book.rules().iter().enumerate() {
            let pair = matches!(rule.test, fangwright_materia::records::Test::Pair { .. });
            if !pair || rule.severity > Severity::Grave {
                continue;
            }
            let (left, right) = self.book.members(number);
            let left: Vec<SubstanceIx> = left.into_iter().filter(|s| here.contains_key(s)).collect();
            let right: Vec<SubstanceIx> = right.into_iter().filter(|s| here.contains_key(s)).collect();
            if left.is_empty() || right.is_empty() {
                continue;
            }
            demands.push(Demand::Pair { rule: rule.id.clone() });
            for a in &left {
                for b in right.iter().filter(|b| *b != a) {
                    let terms = here[a].iter().chain(here[b]).map(|i| (*i, -1)).collect();
                    rows.push(Row { terms, least: -1, demand: Some(demands.len() - 1) });
                }
            }
        }
        (Model { costs: choices.iter().map(|c| c.cost).collect(), rows }, demands)
    }

    fn run(&self, most: usize) -> Modified {
        let mut rejected = Vec::new();
        let choices = self.choices(&mut rejected);
        let (model, mut demands) = self.model(&choices);
        let considered = choices.iter().map(|c| c.substance).collect::<BTreeSet<_>>().len();
        let mut extra: Vec<Row> = Vec::new();
        let mut proposals = Vec::new();
        let mut proven = true;
        let mut cuts = 0;
        while proposals.len() < most {
            match model.solve(&extra, TIME) {
                Solved::Best(_, taken) => {
                    let grave = self.grave(&choices, &taken);
                    if !grave.is_empty() && cuts < MOST_CUTS {
                        // A rule on several together: these choices may not all be taken again.
                        cuts += 1;
                        for (rule, involved) in grave {
                            let ways: Vec<usize> = (0..choices.len())
                                .filter(|i| {
                                    taken[*i] && (involved.is_empty() || involved.contains(&choices[*i].substance))
                                })
                                .collect();
                            let n = ways.len() as i32;
                            extra.push(Row {
                                terms: ways.into_iter().map(|i| (i, -1)).collect(),
                                least: 1 - n,
                                demand: None,
                            });
                            let what = Demand::Together { rule };
                            if !demands.contains(&what) {
                                demands.push(what);
                            }
                        }
                        continue;
                    }
                    extra.push(self.differing(&choices, &taken));
                    proposals.push(self.proposal(&choices, &taken));
                }
                Solved::Impossible => break,
                Solved::OutOfTime => {
                    proven = false;
                    break;
                }
            }
        }
        let conflict = if proposals.is_empty() && proven {
            let fixed = Model { costs: model.costs.clone(), rows: model.rows.iter().chain(&extra).cloned().collect() };
            fixed.conflict(demands.len(), TIME).into_iter().map(|d| demands[d].clone()).collect()
        } else {
            Vec::new()
        };
        rejected.sort_by_key(|r| (std::cmp::Reverse(r.serves.len()), r.substance));
        Modified { proposals, proven, conflict, rejected, demands, weights: self.weights.clone(), considered }
    }

    /// The next proposal has to differ in at least two substances.
    fn differing(&self, choices: &[Choice], taken: &[bool]) -> Row {
        let inside: BTreeSet<SubstanceIx> =
            choices.iter().zip(taken).filter(|(_, t)| **t).map(|(c, _)| c.substance).collect();
        // Sum over substances inside of (1 - x), and outside of x, at least 2.
        let terms =
            choices.iter().enumerate().map(|(i, c)| (i, if inside.contains(&c.substance) { -1 } else { 1 })).collect();
        Row { terms, least: 2 - inside.len() as i32, demand: None }
    }

    fn case(&self, choices: &[Choice], taken: &[bool]) -> Case {
        let portions = choices
            .iter()
            .zip(taken)
            .filter(|(_, t)| **t)
            .zip(0..)
            .map(|((c, _), i)| Portion::new(c.substance, c.grams, &self.m.substance(c.substance).pot, i))
            .collect();
        Case { portions, form: self.wish.form, days: self.wish.days, ..Case::default() }
    }

    /// Rules of the upper two severities that the whole breaks, with the substances involved.
    fn grave(&self, choices: &[Choice], taken: &[bool]) -> Vec<(String, Vec<SubstanceIx>)> {
        let report = self.book.check(self.m, &self.case(choices, taken), self.facts, &[]);
        let mut all: Vec<(String, Vec<SubstanceIx>)> = report
            .all()
            .into_iter()
            .filter(|f| f.severity <= Severity::Grave)
            .map(|f| (f.rule.clone(), f.fires.iter().map(|x| x.substance).collect()))
            .collect();
        all.sort();
        all
    }

    fn proposal(&self, choices: &[Choice], taken: &[bool]) -> Proposal {
        let m = self.m;
        let w = &self.weights;
        let mut lines: Vec<Line> = Vec::new();
        let picked: Vec<&Choice> = choices.iter().zip(taken).filter(|(_, t)| **t).map(|(c, _)| c).collect();
        for c in &picked {
            let (against, mut why) = self.against(c.substance);
            let serves = self.serves(c.substance);
            let fate = match (c.base, c.redosed) {
                (false, _) => Fate::Added,
                (true, true) => Fate::Redosed,
                (true, false) => Fate::Kept,
            };
            let mut cost = against;
            match fate {
                Fate::Added => {
                    let (points, custom) = self.custom(c.substance);
                    let (care, rule) = self.caution(c.substance, c.grams);
                    cost += w.add + care - points;
                    why.extend(rule);
                    let names: Vec<String> = serves
                        .iter()
                        .map(|(n, k)| {
                            let name = m.library().actions.get(n).map_or(n.as_str(), |a| a.en.as_str());
                            let place = match k {
                                3 => "its first action",
                                2 => "its second",
                                _ => "among its others",
                            };
                            format!("{name} ({place})")
                        })
                        .collect();
                    why.insert(0, format!("serves: {}", names.join(", ")));
                    why.push(custom);
                }
                Fate::Redosed => {
                    cost += w.redose;
                    why.push("a lower dose within its range".into());
                }
                _ => {}
            }
            lines.push(Line { substance: c.substance, grams: c.grams, fate, serves, why, cost });
        }
        for item in &self.wish.base {
            if picked.iter().any(|c| c.substance == item.substance) {
                continue;
            }
            let (_, mut why) = self.against(item.substance);
            if self.wish.dislikes.contains(&item.substance) {
                why.insert(0, "not wanted by the patient".into());
            }
            if why.is_empty() {
                why.push("so that the rest fits within what is asked for".into());
            }
            lines.push(Line {
                substance: item.substance,
                grams: item.grams,
                fate: Fate::Removed,
                serves: self.serves(item.substance),
                why,
                cost: role_cost(w, item.role),
            });
        }
        let covered = self
            .needs
            .iter()
            .map(|n| {
                let by = picked.iter().filter(|c| strength(m, c.substance, n) > 0).map(|c| c.substance).collect();
                (n.clone(), by)
            })
            .collect();
        let grave = self.grave(choices, taken).into_iter().map(|g| g.0).collect();
        Proposal { cost: lines.iter().map(|l| l.cost).sum(), lines, covered, grave }
    }

    /// The model as plain numbers, for setting another solver beside ours.
    fn plain(&self) -> (Model, Vec<String>) {
        let choices = self.choices(&mut Vec::new());
        let (model, _) = self.model(&choices);
        let names = choices.iter().map(|c| label(self.m, c.substance)).collect();
        (model, names)
    }
}

/// The model of a wish, with the name of the substance behind each choice: what the solver is given.
///
/// # Errors
/// As [`modify`].
pub fn model_of(
    m: &Materia,
    book: &Rulebook,
    customs: &Customs,
    facts: &Facts,
    wish: &Wish,
) -> Result<(Model, Vec<String>), WishError> {
    Ok(Search::new(m, book, facts, customs, wish)?.plain())
}
