//! Tries weights of the ranking on the clauses that may be used for it (even numbers of the Shang Han Lun).

use fangwright_checks::clauses::{Clauses, words};
use fangwright_checks::facts;
use fangwright_materia::Materia;
use fangwright_materia::records::Judging;
use fangwright_pattern::{Judge, Terms};

fn main() {
    let m = Materia::embedded();
    let terms = Terms::new(&m);
    let words = words();
    let all = facts::<Clauses>("clauses-shang-han-lun.toml").clause;
    let cases: Vec<_> = all.iter().filter(|c| c.number % 2 == 0).map(|c| (c.coded(&terms, &words), c)).collect();
    let rounds: usize = std::env::args().nth(1).and_then(|n| n.parse().ok()).unwrap_or(1);
    let mut judge = Judge::new(&m, &terms);
    let start: Judging = m.library().judging.clone().expect("the data has weights");
    let score = |judge: &Judge| {
        let (mut one, mut three, mut five) = (0, 0, 0);
        for (p, right) in &cases {
            let ranked = judge.formulas(&terms, p);
            let place = ranked.iter().position(|f| right.names(&m.formula(f.formula).id));
            one += i32::from(place == Some(0));
            three += i32::from(place.is_some_and(|x| x < 3));
            five += i32::from(place.is_some_and(|x| x < 5));
        }
        (2 * one + three + 2 * five, one, three, five)
    };
    let mut best = (score(&judge), start);
    println!("{:?} of {}", best.0, cases.len());
    // One weight after another, as long as something gets better.
    type Field = (&'static str, fn(&mut Judging) -> &mut i32, &'static [i32]);
    let fields: [Field; 13] = [
        ("formula_key", |w| &mut w.formula_key, &[1, 2, 3, 4, 5, 6, 8, 10]),
        ("formula_may", |w| &mut w.formula_may, &[0, 1, 2, 3, 4, 5, 6]),
        ("formula_not", |w| &mut w.formula_not, &[0, -3, -6, -10, -15]),
        ("formula_missing", |w| &mut w.formula_missing, &[0, -1, -2, -3]),
        ("formula_absent", |w| &mut w.formula_absent, &[0, -2, -4, -6, -8, -12]),
        ("formula_contrary", |w| &mut w.formula_contrary, &[0, -2, -4, -6, -8, -12]),
        ("formula_pattern_percent", |w| &mut w.formula_pattern_percent, &[0, 10, 20, 30, 40, 50, 70, 100]),
        ("implied", |w| &mut w.implied, &[0, 1, 2, 3, 4, 6]),
        ("formula_common", |w| &mut w.formula_common, &[-1, 0, 1, 2, 3, 4]),
        ("formula_wider", |w| &mut w.formula_wider, &[-1, 0, 1, 2, 3]),
        ("formula_seldom", |w| &mut w.formula_seldom, &[0, 1, 2, 3, 4]),
        ("formula_base", |w| &mut w.formula_base, &[0, 1, 2, 3, 4, 6]),
        ("formula_unexplained", |w| &mut w.formula_unexplained, &[0, -1, -2, -3, -4, -6]),
    ];
    // One weight after another, as long as something gets better; then again from weights shaken a little.
    let mut seed = 1u64;
    let mut random = |n: usize| {
        seed = seed.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (seed >> 33) as usize % n
    };
    for round in 0..rounds {
        let mut here = best.1.clone();
        if round > 0 {
            for _ in 0..4 {
                let (_, field, values) = fields[random(fields.len())];
                *field(&mut here) = values[random(values.len())];
            }
        }
        judge.reweigh(&here);
        let mut at = score(&judge);
        loop {
            let before = at;
            for (_, field, values) in fields {
                for v in values {
                    let mut w = here.clone();
                    *field(&mut w) = *v;
                    judge.reweigh(&w);
                    let s = score(&judge);
                    if s.0 > at.0 {
                        (at, here) = (s, w);
                    }
                }
            }
            if at == before {
                break;
            }
        }
        if at.0 > best.0.0 {
            println!("{at:?}");
            best = (at, here);
        }
    }
    println!("{:#?}", best.1);
}
