//! The family of a formula: who stands before it and who comes from it, over the whole collection.
//!
//! Every pair of formulas that shares enough is a possible edge from the older to the younger one (within one book, from
//! the earlier to the later place, or as the book says), and costs what a trace to that single base costs. A formula may also stand for itself at the price of all its
//! ingredients. The family is the arborescence of least total cost, found by the algorithm of Chu, Liu and Edmonds.

use std::collections::{BTreeSet, HashMap};

use fangwright_materia::records::{Formula, Role};
use fangwright_materia::{FormulaIx, Materia, SubstanceIx};
use schemars::JsonSchema;
use serde::Serialize;

use crate::matching::{Tie, pair};
use crate::mix::Mix;
use crate::trace::costs_of;

/// A possible descent.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, JsonSchema)]
pub struct Edge {
    /// The older formula; none for "made from nothing".
    pub from: Option<FormulaIx>,
    /// The younger one.
    pub to: FormulaIx,
    /// Points, as in a trace.
    pub points: i64,
}

/// The whole collection as a forest.
pub struct Families {
    /// Every edge that was weighed; for checks from outside.
    pub edges: Vec<Edge>,
    parent: Vec<Option<FormulaIx>>,
    points: Vec<i64>,
    /// Sum of points over the chosen edges.
    pub total: i64,
}

/// One formula in a family.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct Member {
    /// Which.
    pub formula: FormulaIx,
    /// What it descends from.
    pub parent: Option<FormulaIx>,
    /// Points of that descent.
    pub points: i64,
    /// Brought in against the parent.
    pub added: Vec<SubstanceIx>,
    /// Taken out.
    pub removed: Vec<SubstanceIx>,
    /// In another form or swapped: before, after.
    pub exchanged: Vec<(SubstanceIx, SubstanceIx)>,
    /// In another dose.
    pub redosed: Vec<SubstanceIx>,
    /// Whether a source says the same of it.
    pub stated: bool,
    /// Other formulas that its record says it is a sum of.
    pub also_from: Vec<FormulaIx>,
    /// Generation below the eldest.
    pub generation: u32,
}

/// A family: the line down to one formula, and all that comes from it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct Family {
    /// The formula asked for.
    pub formula: FormulaIx,
    /// From the eldest ancestor to the formula itself.
    pub line: Vec<FormulaIx>,
    /// The line and all descendants, parents before children.
    pub members: Vec<Member>,
}

impl Families {
    /// Weighs all descents of the collection and finds the least-cost forest.
    pub fn new(m: &Materia) -> Families {
        let edges = edges(m);
        let n = m.formulas().len();
        // Node n is the root that stands for "made from nothing".
        let plain: Vec<(usize, usize, i64)> =
            edges.iter().map(|e| (e.from.map_or(n, |f| f.0 as usize), e.to.0 as usize, e.points)).collect();
        let chosen = arborescence(n + 1, n, &plain);
        let mut parent = vec![None; n];
        let mut points = vec![0; n];
        let mut total = 0;
        for i in chosen {
            let e = &edges[i];
            parent[e.to.0 as usize] = e.from;
            points[e.to.0 as usize] = e.points;
            total += e.points;
        }
        Families { edges, parent, points, total }
    }

    /// What a formula descends from.
    pub fn parent(&self, f: FormulaIx) -> Option<FormulaIx> {
        self.parent.get(f.0 as usize).copied().flatten()
    }

    /// What descends from it directly, in the order of date and number.
    pub fn children(&self, m: &Materia, f: FormulaIx) -> Vec<FormulaIx> {
        let mut list: Vec<FormulaIx> = m.formulas().map(|(ix, _)| ix).filter(|c| self.parent(*c) == Some(f)).collect();
        list.sort_by_key(|c| (m.formula(*c).year, c.0));
        list
    }

    /// From the eldest ancestor to the formula itself.
    pub fn line(&self, f: FormulaIx) -> Vec<FormulaIx> {
        let mut line = vec![f];
        while let Some(p) = self.parent(line[line.len() - 1]) {
            line.push(p);
        }
        line.reverse();
        line
    }

    /// The family of a formula.
    pub fn of(&self, m: &Materia, f: FormulaIx) -> Family {
        let line = self.line(f);
        let mut members = Vec::new();
        for (generation, ix) in line.iter().enumerate() {
            members.push(self.member(m, *ix, generation as u32));
        }
        let mut stack: Vec<(FormulaIx, u32)> =
            self.children(m, f).into_iter().rev().map(|c| (c, line.len() as u32)).collect();
        while let Some((ix, generation)) = stack.pop() {
            members.push(self.member(m, ix, generation));
            stack.extend(self.children(m, ix).into_iter().rev().map(|c| (c, generation + 1)));
        }
        Family { formula: f, line, members }
    }

    fn member(&self, m: &Materia, ix: FormulaIx, generation: u32) -> Member {
        let parent = self.parent(ix);
        let formula = m.formula(ix);
        let mut member = Member {
            formula: ix,
            parent,
            points: self.points[ix.0 as usize],
            added: Vec::new(),
            removed: Vec::new(),
            exchanged: Vec::new(),
            redosed: Vec::new(),
            stated: false,
            also_from: Vec::new(),
            generation,
        };
        let own = Mix::of_formula(m, ix);
        if let Some(p) = parent {
            let base = Mix::of_formula(m, p);
            let (a, b) = (base.substances(), own.substances());
            let pairs = pair(m, &a, &b);
            member.removed = a.iter().copied().filter(|s| !pairs.iter().any(|(x, _, _)| x == s)).collect();
            member.added = b.iter().copied().filter(|s| !pairs.iter().any(|(_, x, _)| x == s)).collect();
            for (x, y, tie) in &pairs {
                match tie {
                    Tie::Same
                        if base.grams(*x).is_some() && own.grams(*y).is_some() && base.grams(*x) != own.grams(*y) =>
                    {
                        member.redosed.push(*x);
                    }
                    Tie::Same => {}
                    _ => member.exchanged.push((*x, *y)),
                }
            }
        } else {
            member.added = own.substances();
        }
        if let Some(change) = &formula.change {
            let from: Vec<FormulaIx> = change.from.iter().filter_map(|f| m.formula_by_id(f)).collect();
            member.stated = parent.is_some_and(|p| from.contains(&p));
            member.also_from = from.into_iter().filter(|f| Some(*f) != parent).collect();
        }
        member
    }
}

fn edges(m: &Materia) -> Vec<Edge> {
    let costs = costs_of(m);
    let sets: Vec<Vec<SubstanceIx>> = m.formulas().map(|(ix, _)| m.ingredients(ix)).collect();
    // Formulas by raw substance, so that only those with something in common are weighed.
    let mut holding: HashMap<SubstanceIx, Vec<usize>> = HashMap::new();
    for (i, set) in sets.iter().enumerate() {
        let mut raws: Vec<SubstanceIx> = set.iter().map(|s| m.raw_form(*s)).collect();
        raws.sort();
        raws.dedup();
        for r in raws {
            holding.entry(r).or_default().push(i);
        }
    }
    let mut edges = Vec::new();
    for (to, f) in m.formulas() {
        let set = &sets[to.0 as usize];
        let nothing = i64::from(costs.add) * set.len() as i64;
        // A root costs one point more than its ingredients, so that a descent of equal cost is preferred.
        edges.push(Edge { from: None, to, points: nothing + 1 });
        let related: BTreeSet<usize> =
            set.iter().filter_map(|s| holding.get(&m.raw_form(*s))).flatten().copied().collect();
        for other in related {
            let from = FormulaIx(other as u32);
            let elder = m.formula(from);
            let states = |x: &Formula, y: &Formula| x.change.as_ref().is_some_and(|c| c.from.contains(&y.id));
            let stated = states(f, elder);
            // Within one book its own order stands for date, unless the book says which is made from which.
            let one_book = elder.year == f.year && elder.source.source == f.source.source;
            let in_time = elder.year < f.year || one_book && (from < to || stated);
            if from == to || !in_time || states(elder, f) {
                continue;
            }
            let base = &sets[other];
            let pairs = pair(m, base, set);
            if pairs.len() < costs.must_keep(base.len()) {
                continue;
            }
            // Who has lost every chief of the elder does not descend from it, unless a book says so.
            let chief_kept = base
                .iter()
                .zip(&elder.ingredients)
                .any(|(s, i)| i.role == Role::Chief && pairs.iter().any(|(a, _, _)| a == s));
            if !chief_kept && !stated {
                continue;
            }
            let mut points = i64::from(costs.add) * (set.len() - pairs.len()) as i64;
            for (s, i) in base.iter().zip(&elder.ingredients) {
                if !pairs.iter().any(|(a, _, _)| a == s) {
                    points += i64::from(costs.remove(i.role));
                }
            }
            for (a, b, tie) in &pairs {
                points += i64::from(tie.points(&costs));
                let office = |f: &Formula, set: &[SubstanceIx], s: &SubstanceIx| {
                    set.iter().position(|x| x == s).and_then(|i| f.ingredients.get(i)).map(|i| i.role)
                };
                if office(elder, base, a) == Some(Role::Chief) && office(f, set, b) == Some(Role::Envoy) {
                    points += i64::from(costs.demoted_chief);
                }
            }
            // What a source states counts for something where the count alone is even.
            if !stated {
                points += 1;
            }
            if points < nothing {
                edges.push(Edge { from: Some(from), to, points });
            }
        }
    }
    edges
}

/// Chu–Liu/Edmonds: indices of the edges of a least-cost arborescence. Every node but `root` has to be reachable.
///
/// Edges are `(from, to, cost)`. Contracts one circle after another and opens them again on the way back.
pub fn arborescence(nodes: usize, root: usize, edges: &[(usize, usize, i64)]) -> Vec<usize> {
    struct Live {
        from: usize,
        to: usize,
        cost: i64,
        original: usize,
        /// Index in the level above.
        above: usize,
    }
    fn solve(nodes: usize, root: usize, edges: &[Live]) -> Vec<usize> {
        let mut best: Vec<Option<usize>> = vec![None; nodes];
        for (i, e) in edges.iter().enumerate() {
            if e.to == root || e.from == e.to {
                continue;
            }
            if best[e.to].is_none_or(|b| (e.cost, e.original) < (edges[b].cost, edges[b].original)) {
                best[e.to] = Some(i);
            }
        }
        // Look for a circle among the cheapest entries.
        let mut colour = vec![0usize; nodes];
        let mut circle = None;
        for start in 0..nodes {
            let mut at = start;
            while colour[at] == 0 && at != root {
                colour[at] = start + 1;
                match best[at] {
                    Some(b) => at = edges[b].from,
                    None => break,
                }
            }
            if at != root && colour[at] == start + 1 && best[at].is_some() {
                let mut list = vec![at];
                let mut next = edges[best[at].unwrap_or_default()].from;
                while next != at {
                    list.push(next);
                    next = edges[best[next].unwrap_or_default()].from;
                }
                circle = Some(list);
                break;
            }
        }
        let Some(circle) = circle else {
            return best.into_iter().flatten().collect();
        };
        let mut inside = vec![false; nodes];
        for c in &circle {
            inside[*c] = true;
        }
        // The circle becomes one node, the last of the smaller graph.
        let mut number = vec![0; nodes];
        let mut count = 0;
        for node in 0..nodes {
            if !inside[node] {
                number[node] = count;
                count += 1;
            }
        }
        let hub = count;
        for c in &circle {
            number[*c] = hub;
        }
        let smaller: Vec<Live> = edges
            .iter()
            .enumerate()
            .filter(|(_, e)| !(inside[e.from] && inside[e.to]))
            .map(|(i, e)| {
                let saved = if inside[e.to] { best[e.to].map_or(0, |b| edges[b].cost) } else { 0 };
                Live { from: number[e.from], to: number[e.to], cost: e.cost - saved, original: e.original, above: i }
            })
            .collect();
        let picked = solve(hub + 1, number[root], &smaller);
        let mut result: Vec<usize> = picked.iter().map(|p| smaller[*p].above).collect();
        let entered = result.iter().map(|i| edges[*i].to).find(|t| inside[*t]);
        for c in &circle {
            if Some(*c) != entered
                && let Some(b) = best[*c]
            {
                result.push(b);
            }
        }
        result
    }
    let live: Vec<Live> =
        edges.iter().enumerate().map(|(i, &(from, to, cost))| Live { from, to, cost, original: i, above: i }).collect();
    let mut chosen: Vec<usize> = solve(nodes, root, &live).into_iter().map(|i| live[i].original).collect();
    chosen.sort_unstable();
    chosen
}
