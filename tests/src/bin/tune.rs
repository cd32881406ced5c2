//! Tries weights of the ranking on the clauses that may be used for it (even numbers of the Shang Han Lun).

use fangwright_checks::facts;
use fangwright_materia::Materia;
use fangwright_materia::records::Judging;
use fangwright_pattern::{Judge, Presentation, Terms};
use serde::Deserialize;

#[derive(Deserialize)]
struct Clauses {
    clause: Vec<Clause>,
}

#[derive(Deserialize)]
struct Clause {
    number: u32,
    found: Vec<String>,
    #[serde(default)]
    absent: Vec<String>,
    formula: String,
    #[serde(default)]
    also: Vec<String>,
}

fn main() {
    let m = Materia::embedded();
    let terms = Terms::new(&m);
    let cases: Vec<(Presentation, Vec<String>)> = facts::<Clauses>("clauses-shang-han-lun.toml")
        .clause
        .into_iter()
        .filter(|c| c.number % 2 == 0)
        .map(|c| {
            let mut p = Presentation::default();
            for text in &c.found {
                let noted = terms.read(&m, text);
                p.present.extend(noted.present.iter().map(|x| x.0));
                p.absent.extend(noted.absent.iter().map(|x| x.0));
            }
            for text in &c.absent {
                p.absent.extend(terms.read(&m, text).present.iter().map(|x| x.0));
            }
            p.present.sort_unstable();
            p.present.dedup();
            (p, [vec![c.formula], c.also].concat())
        })
        .collect();
    let mut judge = Judge::new(&m, &terms);
    let start: Judging = m.library().judging.clone().expect("the data has weights");
    let score = |judge: &Judge| {
        let (mut one, mut three, mut five) = (0, 0, 0);
        for (p, right) in &cases {
            let ranked = judge.judge(&terms, p, Vec::new()).formulas;
            let place = ranked.iter().position(|f| right.contains(&m.formula(f.formula).id));
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
    let fields: [Field; 11] = [
        ("formula_key", |w| &mut w.formula_key, &[1, 2, 3, 4, 5, 6, 8, 10]),
        ("formula_may", |w| &mut w.formula_may, &[0, 1, 2, 3, 4, 5, 6]),
        ("formula_not", |w| &mut w.formula_not, &[0, -3, -6, -10, -15]),
        ("formula_missing", |w| &mut w.formula_missing, &[0, -1, -2, -3]),
        ("formula_absent", |w| &mut w.formula_absent, &[0, -2, -4, -6, -8, -12]),
        ("formula_contrary", |w| &mut w.formula_contrary, &[0, -2, -4, -6, -8, -12]),
        ("formula_pattern_percent", |w| &mut w.formula_pattern_percent, &[0, 10, 20, 30, 40, 50, 70, 100]),
        ("implied", |w| &mut w.implied, &[0, 1, 2, 3, 4, 6]),
        ("formula_common", |w| &mut w.formula_common, &[-1, 0, 1, 2, 3, 4]),
        ("formula_base", |w| &mut w.formula_base, &[0, 1, 2, 3, 4, 6]),
        ("formula_unexplained", |w| &mut w.formula_unexplained, &[0, -1, -2, -3, -4, -6]),
    ];
    for _ in 0..3 {
        for (name, field, values) in fields {
            for v in values {
                let mut w = best.1.clone();
                *field(&mut w) = *v;
                judge.reweigh(&w);
                let s = score(&judge);
                if s.0 > best.0.0 {
                    println!("{s:?} {name} = {v}");
                    best = (s, w);
                }
            }
        }
    }
    println!("{:#?}", best.1);
}
