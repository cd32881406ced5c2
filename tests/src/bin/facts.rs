//! Prints what the scripts under `tests/reference/` and `benches/` hold other libraries against, as JSON:
//! `facts edges`, `facts names`, `facts sets`, `facts resolve` (names on standard input, one a line), and
//! `facts trace N` (so many traces of one prescription, timed), `facts models N` (so many changes for invented patients:
//! what the solver was given, what it found, and how long a change with five proposals took), and `facts unread` (phrases of
//! findings on standard input, one a line: those that are not wholly read, with the words left over), and `facts rounded` (lists of
//! amounts and what they are rounded to).

use std::io::{BufRead, stdin};
use std::time::{Duration, Instant};

use fangwright_amount::Rational;
use fangwright_dispense::{Share, round_list};
use fangwright_formula::{Conventions, Families, Mix, Tracer, read};
use fangwright_materia::records::{ConditionKind, Form, Role};
use fangwright_materia::{Materia, Resolution};
use fangwright_pattern::{BaseItem, Customs, Solved, Terms, Wish, model_of, modify};
use fangwright_safety::{Facts, Patient, Rulebook};
use serde_json::{Value, json};

fn main() {
    let m = Materia::embedded();
    let what = std::env::args().nth(1).unwrap_or_default();
    let answer = match what.as_str() {
        "edges" => edges(&m),
        "names" => names(&m),
        "sets" => sets(&m),
        "resolve" => resolve(&m),
        "trace" => trace(&m, std::env::args().nth(2).and_then(|n| n.parse().ok()).unwrap_or(100)),
        "unread" => unread(&m),
        "rounded" => rounded(),
        "models" => models(&m, std::env::args().nth(2).and_then(|n| n.parse().ok()).unwrap_or(100)),
        _ => {
            eprintln!("usage: facts edges|names|sets|resolve|trace|models [N]|unread|rounded");
            std::process::exit(2);
        }
    };
    println!("{answer}");
}

/// Random lists of tenths of milligrams, and what they come to on a scale of a tenth of a gram.
fn rounded() -> Value {
    let mut seed = 7u64;
    let mut random = |n: u64| {
        seed = seed.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (seed >> 33) % n
    };
    let lists = (0..1000).map(|_| {
        let mut amounts: Vec<u64> = (0..2 + random(14)).map(|_| 1_000 + random(300_000)).collect();
        // Every second list has a total of whole steps, as other libraries want it.
        if random(2) == 0 {
            let over = amounts.iter().sum::<u64>() % 1_000;
            amounts[0] += 1_000 - over;
        }
        let tenth = |n: i128, d: i128| Rational::new(n, d).expect("a denominator above zero");
        let shares: Vec<Share> =
            amounts.iter().map(|a| Share::of(tenth(i128::from(*a), 10_000), tenth(1, 10))).collect();
        let parts = round_list(&shares).expect("nothing vanishes").parts;
        let tenths: Vec<i128> = parts.iter().map(|p| p.times(Rational::from(10)).expect("small").floor()).collect();
        json!({ "amounts": amounts, "tenths": tenths })
    });
    Value::Array(lists.collect())
}

/// Phrases of findings that the data does not wholly know.
fn unread(m: &Materia) -> Value {
    let terms = Terms::new(m);
    let lines = stdin().lock().lines().map_while(Result::ok);
    let left = lines.filter_map(|line| {
        let noted = terms.read(m, &line);
        let words: Vec<String> = noted.unread.iter().map(|u| u.text.clone()).collect();
        let known: Vec<&str> = noted.present.iter().map(|x| terms.id(x.0)).collect();
        (!words.is_empty()).then(|| json!({ "phrase": line, "unread": words, "read": known }))
    });
    Value::Array(left.collect())
}

/// The graph that the family is the least-cost arborescence of, and its total.
fn edges(m: &Materia) -> Value {
    let families = Families::new(m);
    let id = |f| m.formula(f).id.clone();
    let list: Vec<Value> =
        families.edges.iter().map(|e| json!({ "from": e.from.map(id), "to": id(e.to), "points": e.points })).collect();
    json!({ "edges": list, "total": families.total })
}

/// Every name of every record.
fn names(m: &Materia) -> Value {
    let substances: Vec<Value> = m
        .substances()
        .map(|(_, s)| {
            json!({ "id": s.id, "hanzi": s.hanzi, "traditional": s.traditional, "pinyin": s.pinyin, "latin": s.latin,
                "english": s.english, "old": s.old, "regional": s.regional, "trade": s.trade })
        })
        .collect();
    let formulas: Vec<Value> = m
        .formulas()
        .map(|(_, f)| {
            json!({ "id": f.id, "hanzi": f.hanzi, "traditional": f.traditional, "pinyin": f.pinyin,
                "english": f.english, "aliases": f.aliases })
        })
        .collect();
    json!({ "substances": substances, "formulas": formulas })
}

/// The composition of every formula.
fn sets(m: &Materia) -> Value {
    m.formulas()
        .map(|(_, f)| {
            let set: Vec<&str> = f.ingredients.iter().map(|i| i.substance.as_str()).collect();
            json!({ "id": f.id, "set": set })
        })
        .collect()
}

/// The nearest substance to each name on standard input, whether the resolver settles on it, and the seconds it took on
/// one core.
fn resolve(m: &Materia) -> Value {
    let lines: Vec<String> = stdin().lock().lines().map_while(Result::ok).collect();
    let start = Instant::now();
    let mut settled = Vec::with_capacity(lines.len());
    let found: Vec<Option<&str>> = lines
        .iter()
        .map(|name| {
            let found = match m.resolve(name) {
                Resolution::Unknown { nearest } => nearest.first().map(|n| n.target),
                Resolution::Ambiguous { candidates, .. } => {
                    settled.push(false);
                    return candidates.first().map(|s| m.substance(*s).id.as_str());
                }
                Resolution::Known { substance, .. } | Resolution::Misspelt { substance, .. } => {
                    settled.push(true);
                    return Some(m.substance(substance).id.as_str());
                }
            };
            settled.push(false);
            found.map(|s| m.substance(s).id.as_str())
        })
        .collect();
    let seconds = start.elapsed().as_secs_f64();
    json!({ "found": found, "settled": settled, "seconds": seconds })
}

/// The prescription that `benches/` time too.
const PRESCRIPTION: &str =
    "柴胡12g 黄芩9g 法半夏9g 党参9g 炙甘草6g 生姜9g 大枣12g 熟地黄12g 白芍9g 当归9g 川芎6g 陈皮6g";

/// Traces one prescription `count` times over the collection: the seconds of each, and what came out. With it goes what
/// a script needs to count the same points: the costs, the roles, and how ingredients may stand for one another.
fn trace(m: &Materia, count: usize) -> Value {
    let mix = Mix::of_prescription(m, &read(m, PRESCRIPTION), &Conventions::usual(m));
    let (rx, grams): (Vec<_>, Vec<_>) = mix.parts.iter().map(|p| (p.substance, p.grams)).unzip();
    let tracer = Tracer::new(m);
    let mut seconds = Vec::new();
    let mut found = None;
    for _ in 0..count.max(1) {
        let start = Instant::now();
        found = tracer.trace(m, &rx, &grams, |_| true).ok();
        seconds.push(start.elapsed().as_secs_f64());
    }
    let ids: Vec<&str> = rx.iter().map(|s| m.substance(*s).id.as_str()).collect();
    let roles: serde_json::Map<String, Value> =
        m.formulas().map(|(_, f)| (f.id.clone(), f.ingredients.iter().map(|i| json!(i.role)).collect())).collect();
    let mut ties = serde_json::Map::new();
    for (a, s) in m.substances() {
        let list: serde_json::Map<String, Value> = rx
            .iter()
            .zip(&ids)
            .filter_map(|(b, id)| Some(((*id).to_string(), json!(fangwright_formula::tie(m, a, *b)?))))
            .collect();
        if !list.is_empty() {
            ties.insert(s.id.clone(), list.into());
        }
    }
    let mut value = json!({ "rx": ids, "seconds": seconds, "found": found, "roles": roles, "ties": ties });
    m.spell_ids(&mut value);
    value
}

/// Changes of a random formula for one or two random patterns, for patients with random states, diseases and medicines.
fn models(m: &Materia, count: usize) -> Value {
    let book = Rulebook::new(m);
    let customs = Customs::new(m);
    let mut state = 1u64;
    let mut below = |n: usize| {
        state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        ((state >> 33) % n.max(1) as u64) as usize
    };
    let library = m.library();
    let inside: Vec<_> = m.formulas().filter(|(_, f)| f.form == Form::Decoction && !f.patterns.is_empty()).collect();
    let conditions: Vec<&String> =
        library.safety.conditions.iter().filter(|(_, c)| c.kind != ConditionKind::Diet).map(|(id, _)| id).collect();
    let medicines: Vec<&String> = library.safety.medicines.keys().collect();
    let patterns: Vec<&String> =
        library.patterns.iter().filter(|(_, p)| !p.needs.is_empty()).map(|(id, _)| id).collect();
    let all: Vec<Value> = (0..count)
        .map(|_| {
            let (ix, formula) = inside[below(inside.len())];
            let mut wanted = vec![formula.patterns[below(formula.patterns.len())].clone()];
            if below(2) == 0 {
                wanted.push(patterns[below(patterns.len())].clone());
            }
            let patient = Patient {
                age: Some((20 + below(70)).to_string()),
                also: (0..below(3)).map(|_| conditions[below(conditions.len())].clone()).collect(),
                medicines: Some((0..below(3)).map(|_| medicines[below(medicines.len())].clone()).collect()),
                ..Patient::default()
            };
            let facts = Facts::new(&book, &patient).expect("the patient is well-formed");
            let base = Mix::of_formula(m, ix)
                .parts
                .iter()
                .map(|p| BaseItem { substance: p.substance, grams: p.grams, role: p.role.unwrap_or(Role::Assistant) })
                .collect();
            let wish = Wish { base, patterns: wanted.clone(), days: Some(14), ..Wish::default() };
            let (model, _) = model_of(m, &book, &customs, &facts, &wish).expect("there is a need");
            let started = Instant::now();
            let solved = model.solve(&[], Duration::from_secs(20));
            let alone = started.elapsed().as_secs_f64();
            let started = Instant::now();
            let modified = modify(m, &book, &customs, &facts, &wish, 5).expect("there is a need");
            let whole = started.elapsed().as_secs_f64();
            let cost = match solved {
                Solved::Best(cost, _) => json!(cost),
                Solved::Impossible => json!("impossible"),
                Solved::OutOfTime => json!("out of time"),
            };
            json!({ "formula": formula.id, "patterns": wanted, "model": model, "cost": cost, "seconds": alone,
                "whole": whole, "proposals": modified.proposals.len(), "proven": modified.proven })
        })
        .collect();
    json!({ "models": all })
}
