//! How long a check of twelve ingredients takes: what fires, the whole report, and making the rulebook.

use std::hint::black_box;

use criterion::{Criterion, criterion_group, criterion_main};
use fangwright_benches::PRESCRIPTION;
use fangwright_formula::{Conventions, read};
use fangwright_materia::Materia;
use fangwright_safety::{Case, Facts, Patient, Rulebook, Scratch};

fn check(c: &mut Criterion) {
    let m = Materia::embedded();
    let book = Rulebook::new(&m);
    let rx = read(&m, PRESCRIPTION);
    let mut case = Case::of_prescription(&m, &rx, &Conventions::usual(&m));
    assert_eq!(case.portions.len(), 12);
    case.days = Some(14);
    let known = Patient {
        age: Some("72".into()),
        sex: Some("female".into()),
        conditions: Some(vec!["hypertension".into(), "kidney disease".into()]),
        medicines: Some(vec!["warfarin".into(), "digoxin".into(), "simvastatin".into()]),
        allergies: Some(vec!["celery".into()]),
        laws: vec!["us".into(), "eu".into()],
        ..Patient::default()
    };
    let nobody = Facts::new(&book, &Patient::default()).expect("nothing is known");
    let somebody = Facts::new(&book, &known).expect("the patient is well-formed");
    let mut scratch = Scratch::default();
    c.bench_function("check/fires, nothing known", |b| {
        b.iter(|| book.scan(&m, black_box(&case), &nobody, &mut scratch).len());
    });
    c.bench_function("check/fires, patient with three medicines", |b| {
        b.iter(|| book.scan(&m, black_box(&case), &somebody, &mut scratch).len());
    });
    c.bench_function("check/report, patient with three medicines", |b| {
        b.iter(|| book.check(&m, black_box(&case), &somebody, &[]));
    });
    c.bench_function("check/patient looked up", |b| b.iter(|| Facts::new(&book, black_box(&known))));
    let topics = ["incompatible", "dose", "pregnancy"];
    let few = Rulebook::of(&m, |r| topics.contains(&r.topic.as_str()));
    let pregnant = Facts::new(&few, &Patient { pregnant: Some(true), ..Patient::default() }).expect("well-formed");
    c.bench_function("check/fires, pairs, doses and pregnancy only", |b| {
        b.iter(|| few.scan(&m, black_box(&case), &pregnant, &mut scratch).len());
    });
    c.bench_function("check/rulebook made ready", |b| b.iter(|| Rulebook::new(black_box(&m))));
}

criterion_group!(benches, check);
criterion_main!(benches);
