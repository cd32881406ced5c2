//! How long the pieces of the job take: reading a prescription of twelve, tracing it (over the collection, and over
//! collections grown from it), indexing for that, and the families.

use std::hint::black_box;

use criterion::{BenchmarkId, Criterion, criterion_group, criterion_main};
use fangwright_amount::Rational;
use fangwright_benches::{PRESCRIPTION, grown_sets};
use fangwright_formula::{Conventions, Families, Mix, Tracer, read};
use fangwright_materia::{Materia, SubstanceIx};

fn prescription(m: &Materia) -> (Vec<SubstanceIx>, Vec<Option<Rational>>) {
    let rx = read(m, PRESCRIPTION);
    assert!(!rx.has_errors(), "the prescription of the benches must read without error");
    let mix = Mix::of_prescription(m, &rx, &Conventions::usual(m));
    assert_eq!(mix.parts.len(), 12);
    (mix.substances(), mix.parts.iter().map(|p| p.grams).collect())
}

fn trace(c: &mut Criterion) {
    let m = Materia::embedded();
    let (rx, grams) = prescription(&m);
    let tracer = Tracer::new(&m);
    c.bench_function("trace/collection", |b| {
        b.iter(|| tracer.trace(&m, black_box(&rx), &grams, |_| true));
    });
    let mut growth = c.benchmark_group("trace/grown");
    for count in [300, 3_000, 30_000] {
        let tracer = Tracer::over(&m, grown_sets(&m, count, 1));
        growth.bench_function(BenchmarkId::from_parameter(count), |b| {
            b.iter(|| tracer.trace(&m, black_box(&rx), &grams, |_| true));
        });
    }
    growth.finish();
    c.bench_function("index/collection", |b| b.iter(|| Tracer::new(black_box(&m))));
}

fn reader(c: &mut Criterion) {
    let m = Materia::embedded();
    c.bench_function("read/twelve", |b| b.iter(|| read(&m, black_box(PRESCRIPTION))));
}

fn families(c: &mut Criterion) {
    let m = Materia::embedded();
    c.bench_function("families/collection", |b| b.iter(|| Families::new(black_box(&m))));
}

criterion_group!(benches, trace, reader, families);
criterion_main!(benches);
