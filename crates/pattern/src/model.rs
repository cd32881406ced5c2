//! Choices of yes and no with whole-number costs and demands, and their proven optimum.

use std::time::Duration;

use microlp::{ComparisonOp, Error, OptimizationDirection, Problem, SolutionStatus, SolveOutcome};
use schemars::JsonSchema;
use serde::Serialize;

/// The sum of `terms` has to be at least `least`.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct Row {
    /// Number of a choice, and how much it counts.
    pub terms: Vec<(usize, i32)>,
    /// At least this.
    pub least: i32,
    /// The demand it belongs to; none for what follows from how choices are made.
    pub demand: Option<usize>,
}

/// Choices with costs, and rows that have to hold.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, JsonSchema)]
pub struct Model {
    /// Cost of each choice, where it is taken.
    pub costs: Vec<i32>,
    /// Rows.
    pub rows: Vec<Row>,
}

/// What solving comes to.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Solved {
    /// The least cost, proven, and the choices taken.
    Best(i32, Vec<bool>),
    /// The rows cannot all hold.
    Impossible,
    /// The time was over before there was a proof.
    OutOfTime,
}

impl Row {
    /// Whether it holds for these choices.
    pub fn holds(&self, taken: &[bool]) -> bool {
        self.terms.iter().map(|(i, n)| if taken[*i] { *n } else { 0 }).sum::<i32>() >= self.least
    }
}

impl Model {
    /// Cost of these choices.
    pub fn cost(&self, taken: &[bool]) -> i32 {
        self.costs.iter().zip(taken).map(|(c, t)| if *t { *c } else { 0 }).sum()
    }

    /// The choices of least cost under which every row holds, and `extra` too.
    ///
    /// The solver reckons in floats. Costs and rows are whole numbers, so its answer is rounded and held against the
    /// rows again; an answer that does not hold counts as no proof.
    pub fn solve(&self, extra: &[Row], within: Duration) -> Solved {
        let rows: Vec<&Row> = self.rows.iter().chain(extra).collect();
        self.solve_rows(&rows, within)
    }

    fn solve_rows(&self, rows: &[&Row], within: Duration) -> Solved {
        let mut problem = Problem::new(OptimizationDirection::Minimize);
        problem.set_time_limit(within);
        let vars: Vec<_> = self.costs.iter().map(|c| problem.add_binary_var(f64::from(*c))).collect();
        for row in rows {
            let terms: Vec<_> = row.terms.iter().map(|(i, n)| (vars[*i], f64::from(*n))).collect();
            if terms.is_empty() {
                if row.least > 0 {
                    return Solved::Impossible;
                }
                continue;
            }
            problem.add_constraint(terms.as_slice(), ComparisonOp::Ge, f64::from(row.least));
        }
        match problem.solve() {
            Ok(SolveOutcome::Solution(solution)) => {
                let taken: Vec<bool> = vars.iter().map(|v| solution.var_value(*v) > 0.5).collect();
                let cost = self.cost(&taken);
                let holds = rows.iter().all(|r| r.holds(&taken));
                let proven = solution.status() == SolutionStatus::Optimal
                    && (solution.objective() - f64::from(cost)).abs() < 0.5;
                if holds && proven { Solved::Best(cost, taken) } else { Solved::OutOfTime }
            }
            Err(Error::Infeasible) => Solved::Impossible,
            _ => Solved::OutOfTime,
        }
    }

    /// A smallest set of demands that cannot hold together: taking any one of them out makes the rest possible. Empty
    /// where all can hold.
    pub fn conflict(&self, demands: usize, within: Duration) -> Vec<usize> {
        let possible = |asked: &[usize]| {
            let rows: Vec<&Row> = self.rows.iter().filter(|r| r.demand.is_none_or(|d| asked.contains(&d))).collect();
            self.solve_rows(&rows, within) != Solved::Impossible
        };
        let mut kept: Vec<usize> = (0..demands).collect();
        if possible(&kept) {
            return Vec::new();
        }
        // One after another is left out where it is not missed; what stays is missed by all.
        for demand in 0..demands {
            let without: Vec<usize> = kept.iter().copied().filter(|d| *d != demand).collect();
            if !possible(&without) {
                kept = without;
            }
        }
        kept
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Everything tried.
    fn brute(m: &Model) -> Option<i32> {
        let n = m.costs.len();
        (0u32..1 << n)
            .map(|bits| (0..n).map(|i| bits >> i & 1 == 1).collect::<Vec<bool>>())
            .filter(|t| m.rows.iter().all(|r| r.holds(t)))
            .map(|t| m.cost(&t))
            .min()
    }

    #[test]
    fn the_optimum_is_that_of_trying_everything() {
        let mut state = 7u64;
        let mut next = |n: u64| {
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            (state >> 33) % n
        };
        let mut impossible = 0;
        for _ in 0..500 {
            let n = 4 + next(8) as usize;
            let costs = (0..n).map(|_| next(30) as i32 - 8).collect();
            let mut rows = Vec::new();
            for demand in 0..1 + next(6) as usize {
                let mut terms = Vec::new();
                for i in 0..n {
                    if next(2) == 0 {
                        terms.push((i, next(7) as i32 - 2));
                    }
                }
                rows.push(Row { terms, least: next(6) as i32 - 1, demand: Some(demand) });
            }
            let model = Model { costs, rows };
            let want = brute(&model);
            match model.solve(&[], Duration::from_secs(10)) {
                Solved::Best(cost, taken) => {
                    assert_eq!(Some(cost), want, "{model:?}");
                    assert!(model.rows.iter().all(|r| r.holds(&taken)));
                }
                Solved::Impossible => {
                    impossible += 1;
                    assert_eq!(want, None, "{model:?}");
                    let core = model.conflict(model.rows.len(), Duration::from_secs(10));
                    let only = |keep: &[usize]| Model {
                        costs: model.costs.clone(),
                        rows: model
                            .rows
                            .iter()
                            .filter(|r| r.demand.is_some_and(|d| keep.contains(&d)))
                            .cloned()
                            .collect(),
                    };
                    assert_eq!(brute(&only(&core)), None);
                    for leave in &core {
                        let rest: Vec<usize> = core.iter().copied().filter(|d| d != leave).collect();
                        assert!(brute(&only(&rest)).is_some(), "{core:?} is not smallest");
                    }
                }
                Solved::OutOfTime => panic!("ten seconds are enough"),
            }
        }
        assert!(impossible > 20);
    }
}
