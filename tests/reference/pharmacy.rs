//! Worked examples of pharmacy arithmetic, each with its source in `pharmacy.toml`.

use fangwright_amount::Rational;
use fangwright_checks::facts;
use fangwright_dispense::arithmetic::{MixError, alligation, dilution};
use fangwright_materia::Materia;
use fangwright_safety::{Exact, Facts, Patient, Rulebook};
use serde::Deserialize;

#[derive(Deserialize)]
struct Table {
    mix: Vec<Mix>,
    dilution: Vec<Dilution>,
    child: Vec<Child>,
}

#[derive(Deserialize)]
struct Mix {
    source: String,
    strong: Rational,
    weak: Rational,
    want: Rational,
    total: Rational,
    of_strong: Rational,
    of_weak: Rational,
}

#[derive(Deserialize)]
struct Dilution {
    source: String,
    have: Rational,
    want: Rational,
    total: Rational,
    of_it: Rational,
}

#[derive(Deserialize)]
struct Child {
    source: String,
    rule: String,
    age: String,
    weight_kg: Rational,
    share: Rational,
}

#[test]
fn worked_examples_come_out() {
    let t: Table = facts("pharmacy.toml");
    for x in &t.mix {
        let found = alligation(x.strong, x.weak, x.want, x.total).unwrap();
        assert_eq!(found, (x.of_strong, x.of_weak), "{}", x.source);
    }
    for x in &t.dilution {
        assert_eq!(dilution(x.have, x.want, x.total).unwrap(), x.of_it, "{}", x.source);
    }
    let m = Materia::embedded();
    let book = Rulebook::new(&m);
    for x in &t.child {
        let patient = Patient {
            age: Some(x.age.clone()),
            weight_kg: Some(Exact(x.weight_kg)),
            child_rule: Some(x.rule.clone()),
            ..Patient::default()
        };
        let share = Facts::new(&book, &patient).unwrap().share_of_adult().unwrap();
        assert_eq!(share, x.share, "{} at {}", x.source, x.age);
    }
    let r = |n: i32| Rational::from(n);
    assert!(matches!(alligation(r(50), r(20), r(70), r(1)), Err(MixError::OutOfReach { .. })));
}
