//! Choices of yes and no with whole-number costs and demands, and their proven optimum.

use std::ops::ControlFlow;
use std::time::Duration;

use pumpkin_solver::Solver;
use pumpkin_solver::conflict_resolvers::resolvers::ResolutionResolver;
use pumpkin_solver::core::DefaultBrancher;
use pumpkin_solver::core::optimisation::OptimisationDirection;
use pumpkin_solver::core::optimisation::linear_sat_unsat::LinearSatUnsat;
use pumpkin_solver::core::predicates::Predicate;
use pumpkin_solver::core::results::{
    OptimisationResult, ProblemSolution, SatisfactionResultUnderAssumptions, SolutionReference,
};
use pumpkin_solver::core::termination::TimeBudget;
use pumpkin_solver::core::variables::{DomainId, Literal, TransformableVariable};
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

    fn post(&self, solver: &mut Solver, vars: &[DomainId], switches: Option<&[Literal]>, extra: &[Row]) -> bool {
        for row in self.rows.iter().chain(extra) {
            // `sum >= least` as `-sum <= -least`.
            let terms: Vec<_> = row.terms.iter().map(|(i, n)| vars[*i].scaled(-*n)).collect();
            let tag = solver.new_constraint_tag();
            let constraint = pumpkin_solver::less_than_or_equals(terms, -row.least, tag);
            match (switches, row.demand) {
                (Some(switches), Some(d)) => solver.add_constraint(constraint).implied_by(switches[d]),
                _ => solver.add_constraint(constraint).post(),
            }
        }
        true
    }

    /// The choices of least cost under which every row holds, and `extra` too.
    pub fn solve(&self, extra: &[Row], within: Duration) -> Solved {
        let mut solver = Solver::default();
        let vars: Vec<DomainId> = self.costs.iter().map(|_| solver.new_bounded_integer(0, 1)).collect();
        self.post(&mut solver, &vars, None, extra);
        let least: i32 = self.costs.iter().filter(|c| **c < 0).sum();
        let most: i32 = self.costs.iter().filter(|c| **c > 0).sum();
        let objective = solver.new_bounded_integer(least, most);
        let mut terms: Vec<_> = self.costs.iter().zip(&vars).map(|(c, v)| v.scaled(*c)).collect();
        terms.push(objective.scaled(-1));
        let tag = solver.new_constraint_tag();
        solver.add_constraint(pumpkin_solver::less_than_or_equals(terms, 0, tag)).post();
        let mut brancher = solver.default_brancher();
        let mut time = TimeBudget::starting_now(within);
        let mut resolver = ResolutionResolver::default();
        let go_on = |_: &Solver, _: SolutionReference<'_>, _: &DefaultBrancher, _: &ResolutionResolver| {
            ControlFlow::<()>::Continue(())
        };
        let how = LinearSatUnsat::new(OptimisationDirection::Minimise, objective, go_on);
        match solver.optimise(&mut brancher, &mut time, &mut resolver, how) {
            OptimisationResult::Optimal(solution) => {
                let taken: Vec<bool> = vars.iter().map(|v| solution.get_integer_value(*v) == 1).collect();
                Solved::Best(self.cost(&taken), taken)
            }
            OptimisationResult::Unsatisfiable => Solved::Impossible,
            _ => Solved::OutOfTime,
        }
    }

    /// A smallest set of demands that cannot hold together: taking any one of them out makes the rest possible.
    pub fn conflict(&self, demands: usize, within: Duration) -> Vec<usize> {
        let mut kept: Vec<usize> = match self.core(demands, &(0..demands).collect::<Vec<_>>(), within) {
            Some(core) => core,
            None => return Vec::new(),
        };
        let mut at = 0;
        while at < kept.len() {
            let without: Vec<usize> = kept.iter().copied().filter(|d| *d != kept[at]).collect();
            match self.core(demands, &without, within) {
                Some(core) => {
                    kept = core;
                    at = 0;
                }
                None => at += 1,
            }
        }
        kept.sort_unstable();
        kept
    }

    /// Demands out of `asked` that cannot hold together; none where all can.
    fn core(&self, demands: usize, asked: &[usize], within: Duration) -> Option<Vec<usize>> {
        let mut solver = Solver::default();
        let vars: Vec<DomainId> = self.costs.iter().map(|_| solver.new_bounded_integer(0, 1)).collect();
        let switches: Vec<Literal> = (0..demands).map(|_| solver.new_literal()).collect();
        self.post(&mut solver, &vars, Some(&switches), &[]);
        let assumed: Vec<Predicate> = asked.iter().map(|d| switches[*d].get_true_predicate()).collect();
        let mut brancher = solver.default_brancher();
        let mut time = TimeBudget::starting_now(within);
        let mut resolver = ResolutionResolver::default();
        match solver.satisfy_under_assumptions(&mut brancher, &mut time, &mut resolver, &assumed) {
            SatisfactionResultUnderAssumptions::UnsatisfiableUnderAssumptions(mut unsat) => {
                let core = unsat.extract_core();
                Some(asked.iter().copied().filter(|d| core.contains(&switches[*d].get_true_predicate())).collect())
            }
            SatisfactionResultUnderAssumptions::Unsatisfiable(_) => Some(Vec::new()),
            _ => None,
        }
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
            let rows: Vec<Row> = (0..1 + next(6) as usize)
                .map(|d| Row {
                    terms: (0..n).filter(|_| next(2) == 0).map(|i| (i, next(7) as i32 - 2)).collect::<Vec<_>>(),
                    least: next(6) as i32 - 1,
                    demand: Some(d),
                })
                .collect();
            // The closures above borrow in turn; indices are drawn first.
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
