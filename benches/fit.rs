//! How long it takes to judge twenty findings, and to read them from text.

use std::hint::black_box;

use criterion::{Criterion, criterion_group, criterion_main};
use fangwright_materia::Materia;
use fangwright_pattern::{Judge, Presentation, Terms};

const FINDINGS: &str = "fatigue, poor appetite, loose stool, abdominal distension, cold limbs, aversion to cold, \
lumbar pain, frequent urination at night, oedema, shortness of breath, palpitations, poor sleep, dizziness, pale face, \
no thirst, pale tongue, teeth-marked tongue, white coating, deep pulse, weak pulse";

fn fit(c: &mut Criterion) {
    let m = Materia::embedded();
    let terms = Terms::new(&m);
    let judge = Judge::new(&m, &terms);
    let presentation = Presentation::of(&terms.read(&m, FINDINGS));
    assert_eq!(presentation.present.len(), 20, "{:?}", terms.read(&m, FINDINGS));
    c.bench_function("fit/read twenty findings", |b| b.iter(|| terms.read(&m, black_box(FINDINGS))));
    c.bench_function("fit/judge twenty findings", |b| {
        b.iter(|| judge.judge(&terms, black_box(&presentation), Vec::new()));
    });
    c.bench_function("fit/findings indexed", |b| b.iter(|| Terms::new(black_box(&m))));
    c.bench_function("fit/patterns and formulas indexed", |b| b.iter(|| Judge::new(black_box(&m), &terms)));
}

criterion_group!(benches, fit);
criterion_main!(benches);
