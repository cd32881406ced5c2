//! Which known formulas a prescription is built on: an exact search over single formulas and sums of two or three.
//!
//! A sum costs what [`Costs`](fangwright_materia::records::Costs) says: points for each ingredient that no base
//! explains, for each ingredient of a base that is left out, for another form or a swap, and for each base after the
//! first. For a given base the points it costs and the ingredients it explains do not depend on the other bases, so the
//! best sum is a smallest-cost cover with at most three sets. What a base can save at most, its *gain*, only shrinks
//! when other bases explain some of the same ingredients; bases are tried in the order of gain, and a branch ends when
//! the gains left cannot reach the best sum found. That bound never cuts off a sum that is as good as the best.

use std::collections::{BTreeMap, HashMap};

use fangwright_amount::Rational;
use fangwright_materia::records::{Costs, Role};
use fangwright_materia::{FormulaIx, Materia, SubstanceIx};
use schemars::JsonSchema;
use serde::Serialize;

use crate::matching::{Tie, pair, tie};

/// The most ingredients a trace takes.
pub const MOST: usize = 128;

/// How many sums of equal points are listed.
const LISTED: usize = 8;

/// Why a trace cannot be made.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum TraceError {
    /// Nothing to trace.
    #[error("there is no settled ingredient to trace; correct the names first")]
    Empty,
    /// More than any prescription has.
    #[error("{0} ingredients; a trace takes up to {MOST}")]
    TooMany(usize),
}

/// The counting rule of the data.
pub(crate) fn costs_of(m: &Materia) -> Costs {
    m.library().costs.clone().unwrap_or(Costs {
        add: 4,
        remove_chief: 8,
        remove_deputy: 6,
        remove_assistant: 5,
        remove_envoy: 3,
        other_form: 1,
        swap: 3,
        demoted_chief: 6,
        further_base: 6,
        keep_at_least: 2,
        keep_percent: 60,
    })
}

/// One base within a sum.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct Base {
    /// The formula.
    pub formula: FormulaIx,
    /// Its ingredients that are there, each with what stands for it and how.
    pub keeps: Vec<(SubstanceIx, SubstanceIx, Tie)>,
    /// Its ingredients that are left out.
    pub leaves_out: Vec<SubstanceIx>,
    /// Points for what is left out and changed.
    pub points: u32,
}

/// A sum of one to three formulas, with what it leaves unexplained.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct Sum {
    /// The bases, the one that explains most first.
    pub bases: Vec<Base>,
    /// Ingredients that no base explains.
    pub added: Vec<SubstanceIx>,
    /// All points.
    pub points: u32,
    /// How far the doses are from the base's proportions, in thousandths; breaks ties between equal points.
    pub dose_gap: Option<u32>,
}

/// What a trace found.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct Trace {
    /// The best sums, all of the same points; empty where there is no known base.
    pub best: Vec<Sum>,
    /// How many more sums have the same points but are not listed.
    pub more_ties: usize,
    /// The best single formulas, whatever sums may be better.
    pub singles: Vec<Sum>,
    /// Points if nothing is explained.
    pub points_without_base: u32,
    /// The counting rule, as data.
    pub costs: Costs,
    /// How many formulas were candidates.
    pub candidates: usize,
}

/// The formulas, indexed for tracing. Build it once.
pub struct Tracer {
    costs: Costs,
    /// For each substance: the formulas in which it, a form of it or a swap for it stands.
    postings: HashMap<SubstanceIx, Vec<u32>>,
    sets: Vec<(FormulaIx, Vec<SubstanceIx>)>,
    /// For each set: what leaving out each of its ingredients costs.
    leaving: Vec<Vec<u32>>,
}

struct Entry {
    set: u32,
    mask: u128,
    points: u32,
    gain: u32,
}

impl Tracer {
    /// Indexes the whole collection.
    pub fn new(m: &Materia) -> Tracer {
        Tracer::over(m, m.formulas().map(|(ix, _)| (ix, m.ingredients(ix))).collect())
    }

    /// Indexes these formulas; for growth benches and for tests.
    pub fn over(m: &Materia, sets: Vec<(FormulaIx, Vec<SubstanceIx>)>) -> Tracer {
        let mut postings: HashMap<SubstanceIx, Vec<u32>> = HashMap::new();
        let mut kin: HashMap<SubstanceIx, Vec<SubstanceIx>> = HashMap::new();
        // Kin by raw form first, then by swap: a table of who may stand for whom.
        let mut by_raw: HashMap<SubstanceIx, Vec<SubstanceIx>> = HashMap::new();
        for (a, _) in m.substances() {
            by_raw.entry(m.raw_form(a)).or_default().push(a);
        }
        for group in by_raw.values() {
            for a in group {
                kin.insert(*a, group.clone());
            }
        }
        for (a, _) in m.substances() {
            let swaps: Vec<SubstanceIx> = m.swaps_of(a);
            if let Some(list) = kin.get_mut(&a) {
                for s in swaps {
                    if !list.contains(&s) {
                        list.push(s);
                    }
                }
            }
        }
        for (n, (_, set)) in sets.iter().enumerate() {
            for s in set {
                for k in kin.get(s).map_or(&[][..], Vec::as_slice) {
                    let list = postings.entry(*k).or_default();
                    if list.last() != Some(&(n as u32)) {
                        list.push(n as u32);
                    }
                }
            }
        }
        let costs = costs_of(m);
        let leaving = sets
            .iter()
            .map(|(ix, set)| {
                set.iter()
                    .map(|s| {
                        let id = &m.substance(*s).id;
                        let held = m.formula(*ix).ingredients.iter().find(|i| i.substance == *id);
                        costs.remove(held.map_or(Role::Assistant, |i| i.role))
                    })
                    .collect()
            })
            .collect();
        Tracer { costs, postings, sets, leaving }
    }

    /// Traces a prescription. `allow` leaves formulas out of the search (a formula must not explain itself).
    ///
    /// # Errors
    /// If there is nothing to trace, or more than [`MOST`] substances.
    pub fn trace(
        &self,
        m: &Materia,
        rx: &[SubstanceIx],
        grams: &[Option<Rational>],
        allow: impl Fn(FormulaIx) -> bool,
    ) -> Result<Trace, TraceError> {
        if rx.is_empty() {
            return Err(TraceError::Empty);
        }
        if rx.len() > MOST {
            return Err(TraceError::TooMany(rx.len()));
        }
        let c = &self.costs;
        let n = rx.len() as u32;
        let full: u128 = if n == 128 { u128::MAX } else { (1 << n) - 1 };
        let nothing = c.add * n;
        // Candidates: formulas that share at least one ingredient in some form.
        let mut count: HashMap<u32, u32> = HashMap::new();
        for s in rx {
            for f in self.postings.get(s).map_or(&[][..], Vec::as_slice) {
                *count.entry(*f).or_default() += 1;
            }
        }
        let mut entries = Vec::new();
        for (&set, &shared) in &count {
            let (ix, ingredients) = &self.sets[set as usize];
            if !allow(*ix) || shared < c.must_keep(ingredients.len()) as u32 {
                continue;
            }
            self.entries(m, set, ingredients, rx, &mut entries);
        }
        let candidates = count.len();
        entries.sort_by(|a, b| b.gain.cmp(&a.gain).then(a.points.cmp(&b.points)).then(a.set.cmp(&b.set)));
        let mut best = nothing;
        let mut found: Vec<Vec<usize>> = Vec::new();
        let mut more = 0;
        let mut search = Search { entries: &entries, costs: c, best: &mut best, found: &mut found, more: &mut more };
        search.down(&mut Vec::new(), 0, full, 0, 0);
        let mut sums: Vec<Sum> = found.iter().map(|list| self.sum(m, list, &entries, rx)).collect();
        for sum in &mut sums {
            sum.dose_gap = dose_gap(m, sum, rx, grams);
        }
        let formulas = |s: &Sum| s.bases.iter().map(|b| b.formula).collect::<Vec<_>>();
        sums.sort_by_key(|s| (s.bases.len(), s.dose_gap.unwrap_or(u32::MAX), formulas(s)));
        sums.dedup_by(|a, b| formulas(a) == formulas(b));
        let mut single_points: HashMap<u32, (u32, usize)> = HashMap::new();
        for (i, e) in entries.iter().enumerate() {
            let points = e.points + c.add * (full & !e.mask).count_ones();
            let slot = single_points.entry(e.set).or_insert((points, i));
            if points < slot.0 {
                *slot = (points, i);
            }
        }
        let mut singles: Vec<(u32, u32, usize)> =
            single_points.iter().map(|(set, (points, i))| (*points, *set, *i)).collect();
        singles.sort_unstable();
        singles.truncate(5);
        let singles = singles.into_iter().map(|(_, _, i)| self.sum(m, &[i], &entries, rx)).collect();
        let more = more + sums.len().saturating_sub(LISTED);
        sums.truncate(LISTED);
        Ok(Trace { best: sums, more_ties: more, singles, points_without_base: nothing, costs: c.clone(), candidates })
    }

    /// All ways this formula can stand in the prescription: each ingredient that is not there as such left out, or found
    /// again in any other form or substitute that is.
    fn entries(&self, m: &Materia, set: u32, ingredients: &[SubstanceIx], rx: &[SubstanceIx], out: &mut Vec<Entry>) {
        let c = &self.costs;
        let mut exact: u128 = 0;
        let mut left = Vec::new();
        let mut leaving = 0;
        for (s, cost) in ingredients.iter().zip(&self.leaving[set as usize]) {
            match rx.iter().position(|r| r == s) {
                Some(i) => exact |= 1 << i,
                None => {
                    left.push((*s, *cost));
                    leaving += cost;
                }
            }
        }
        // What is covered → the fewest points. Each bit stands for one ingredient, so the bits count those that are kept.
        let mut ways: BTreeMap<u128, u32> = BTreeMap::from([(exact, leaving)]);
        for (s, cost) in &left {
            let ties: Vec<(u128, u32)> = rx
                .iter()
                .enumerate()
                .filter(|(i, _)| exact & (1 << i) == 0)
                .filter_map(|(i, r)| Some((1 << i, tie(m, *s, *r)?.points(c))))
                .collect();
            for (mask, points) in ways.clone() {
                for (bit, change) in ties.iter().filter(|(bit, _)| mask & bit == 0) {
                    let fewest = ways.entry(mask | bit).or_insert(u32::MAX);
                    *fewest = (*fewest).min(points + change - cost);
                }
            }
        }
        let keep = c.must_keep(ingredients.len()) as u32;
        for (mask, points) in ways {
            let kept = mask.count_ones();
            let explains = c.add * kept;
            if kept >= keep && explains > points {
                out.push(Entry { set, mask, points, gain: explains - points });
            }
        }
    }

    fn sum(&self, m: &Materia, list: &[usize], entries: &[Entry], rx: &[SubstanceIx]) -> Sum {
        let c = &self.costs;
        let mut covered = 0;
        let mut points = 0;
        let mut bases: Vec<Base> = Vec::new();
        for (k, i) in list.iter().enumerate() {
            let e = &entries[*i];
            covered |= e.mask;
            points += e.points + if k > 0 { c.further_base } else { 0 };
            let (formula, ingredients) = &self.sets[e.set as usize];
            let present: Vec<SubstanceIx> =
                rx.iter().enumerate().filter(|(i, _)| e.mask & (1 << i) != 0).map(|(_, s)| *s).collect();
            let keeps = pair(m, ingredients, &present);
            let leaves_out = ingredients.iter().copied().filter(|s| !keeps.iter().any(|(k, _, _)| k == s)).collect();
            bases.push(Base { formula: *formula, keeps, leaves_out, points: e.points });
        }
        bases.sort_by_key(|b| std::cmp::Reverse(b.keeps.len()));
        let added: Vec<SubstanceIx> =
            rx.iter().enumerate().filter(|(i, _)| covered & (1 << i) == 0).map(|(_, s)| *s).collect();
        points += c.add * added.len() as u32;
        Sum { bases, added, points, dose_gap: None }
    }
}

/// How far the proportions of the doses are from those of the one base, in thousandths of the whole.
fn dose_gap(m: &Materia, sum: &Sum, rx: &[SubstanceIx], grams: &[Option<Rational>]) -> Option<u32> {
    let [base] = sum.bases.as_slice() else { return None };
    let formula = m.formula(base.formula);
    let mut pairs = Vec::new();
    for (theirs, ours, _) in &base.keeps {
        let id = &m.substance(*theirs).id;
        let theirs = formula.ingredients.iter().find(|i| i.substance == *id)?.grams?;
        let ours = (*grams.get(rx.iter().position(|r| r == ours)?)?)?;
        pairs.push((theirs, ours));
    }
    let mut whole = (Rational::ZERO, Rational::ZERO);
    for (a, b) in &pairs {
        whole = (whole.0.plus(*a)?, whole.1.plus(*b)?);
    }
    let mut gap = Rational::ZERO;
    for (a, b) in &pairs {
        gap = gap.plus(a.over(whole.0)?.minus(b.over(whole.1)?)?.abs())?;
    }
    u32::try_from(gap.times(Rational::from(1000))?.round()).ok()
}

struct Search<'a> {
    entries: &'a [Entry],
    costs: &'a Costs,
    best: &'a mut u32,
    found: &'a mut Vec<Vec<usize>>,
    more: &'a mut usize,
}

impl Search<'_> {
    /// Tries every base from `from` on after those in `list`; `open` are the ingredients not explained yet.
    fn down(&mut self, list: &mut Vec<usize>, from: usize, open: u128, points: u32, depth: u32) {
        if depth == 3 {
            return;
        }
        let c = self.costs;
        let here = points + c.add * open.count_ones();
        let further = if depth > 0 { c.further_base } else { 0 };
        for i in from..self.entries.len() {
            let e = &self.entries[i];
            // The most that this base and further ones can still save: none after it gains more than it does.
            let left = 3 - depth;
            let most = (1..=left)
                .map(|k| i64::from(k * e.gain) - i64::from(further) - i64::from((k - 1) * c.further_base))
                .max()
                .unwrap_or(0);
            if i64::from(here) - most > i64::from(*self.best) {
                break;
            }
            let explained = e.mask & open;
            if explained == 0 || list.iter().any(|k| self.entries[*k].set == e.set) {
                continue;
            }
            let open_after = open & !e.mask;
            let points_after = points + e.points + further;
            let total = points_after + c.add * open_after.count_ones();
            list.push(i);
            if total < *self.best {
                *self.best = total;
                self.found.clear();
                *self.more = 0;
            }
            if total == *self.best {
                if self.found.len() < 8 * LISTED {
                    self.found.push(list.clone());
                } else {
                    *self.more += 1;
                }
            }
            self.down(list, i + 1, open_after, points_after, depth + 1);
            list.pop();
        }
    }
}
