//! What has to hold for any input.

use std::sync::OnceLock;

use fangwright_amount::{Era, Rational};
use fangwright_formula::{Conventions, Mix, Profile, Tie, Tracer, arborescence, blend, compare, read, tie};
use fangwright_materia::{FormulaIx, Materia, SubstanceIx};
use proptest::prelude::*;

fn m() -> &'static Materia {
    static MATERIA: OnceLock<Materia> = OnceLock::new();
    MATERIA.get_or_init(Materia::embedded)
}

/// Pieces that prescriptions are made of, and pieces that do not belong there.
fn piece() -> impl Strategy<Value = String> {
    let known = (0..m().substances().len()).prop_map(|i| {
        let s = &m().library().substances[i];
        if i % 2 == 0 { s.hanzi.clone() } else { s.pinyin.clone() }
    });
    prop_oneof![
        4 => known,
        2 => "[0-9]{1,3}(\\.[0-9])?",
        2 => prop::sample::select(vec!["g", "克", "钱", "两", " qian", "枚", " piece", "三钱", "半两", "两半", "各", "等分", "去", "加", "汤", "桂枝汤", "kg"]).prop_map(String::from),
        2 => prop::sample::select(vec![" ", ",", "、", "\n", "(", ")", "（", "）", "-", "/", "½", "\u{202e}", "７", "剂", "天"]).prop_map(String::from),
        1 => ".{0,6}",
    ]
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 400, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn tokens_cover_the_input(pieces in prop::collection::vec(piece(), 0..24)) {
        let text = pieces.concat();
        let rx = read(m(), &text);
        let mut at = 0;
        for t in &rx.tokens {
            prop_assert_eq!(t.span.start, at);
            prop_assert!(t.span.end > t.span.start);
            at = t.span.end;
        }
        prop_assert_eq!(at, text.len());
        for d in &rx.diagnostics {
            prop_assert!(text.get(d.span.start..d.span.end).is_some());
        }
        // Whatever is not a gap leaves a trace: an item, a note, a direction, a number of days, or a diagnostic.
        let mix = Mix::of_prescription(m(), &rx, &Conventions::usual(m()));
        let _ = Profile::of(m(), &mix);
        let _ = compare(m(), &mix, &mix);
        let _ = blend(m(), &text);
    }

    #[test]
    fn a_prescription_written_out_is_read_back(list in prop::collection::btree_map(0..m().substances().len(), 1u32..60, 1..14)) {
        // By hanzi: every record's own name stands for that record, unless it is ambiguous.
        let lines: Vec<(SubstanceIx, u32)> = list.into_iter().map(|(i, g)| (SubstanceIx(i as u32), g)).filter(|(s, _)| m().resolve(&m().substance(*s).hanzi).settled() == Some(*s)).collect();
        let text: String = lines.iter().map(|(s, g)| format!("{} {g}g\n", m().substance(*s).hanzi)).collect();
        let rx = read(m(), &text);
        let mix = Mix::of_prescription(m(), &rx, &Conventions::usual(m()));
        let got: Vec<(SubstanceIx, Option<Rational>)> = mix.parts.iter().map(|p| (p.substance, p.grams)).collect();
        let wanted: Vec<(SubstanceIx, Option<Rational>)> = lines.iter().map(|(s, g)| (*s, Some(Rational::from(i128::from(*g))))).collect();
        prop_assert_eq!(got, wanted, "{}", text);
    }

    #[test]
    fn comparing_a_mix_with_itself_changes_nothing(i in 0..m().formulas().len()) {
        let mix = Mix::of_formula(m(), FormulaIx(i as u32));
        let d = compare(m(), &mix, &mix);
        prop_assert!(d.same_substances());
        prop_assert_eq!(d.profile_before, d.profile_after);
    }

    #[test]
    fn old_weights_are_spelt_without_loss(zhu in 1i128..100_000, part in 1i128..12) {
        let liang = Rational::new(zhu, 24 * part).unwrap();
        let spelt = Era::Han.spell_liang(liang).unwrap();
        let back = spelt.0.iter().fold(Rational::ZERO, |s, (n, u)| s.plus(n.times(Era::Han.in_liang(*u).unwrap()).unwrap()).unwrap());
        prop_assert_eq!(back, liang);
    }
}

/// The points of a sum, counted anew from the rule and not from the search.
fn points(bases: &[FormulaIx], rx: &[SubstanceIx]) -> Option<u32> {
    // Every way to stand for the ingredients, one base after the other: small numbers, so all ways are tried.
    let c = m().library().costs.clone()?;
    let mut whole: Vec<(u128, u32)> = vec![(0, 0)];
    for base in bases {
        let f = m().formula(*base);
        let mut ways: Vec<(u128, u32, u32)> = vec![(0, 0, 0)];
        for i in &f.ingredients {
            let s = m().substance_by_id(&i.substance)?;
            let mut next = Vec::new();
            for (mask, points, kept) in ways {
                match rx.iter().position(|r| *r == s) {
                    Some(k) => next.push((mask | 1 << k, points, kept + 1)),
                    None => {
                        next.push((mask, points + c.remove(i.role), kept));
                        for (k, r) in rx.iter().enumerate() {
                            let held = f.ingredients.iter().any(|x| m().substance_by_id(&x.substance) == Some(*r));
                            if mask & (1 << k) != 0 || held {
                                continue;
                            }
                            match tie(m(), s, *r) {
                                Some(Tie::OtherForm) => next.push((mask | 1 << k, points + c.other_form, kept + 1)),
                                Some(Tie::Swap) => next.push((mask | 1 << k, points + c.swap, kept + 1)),
                                _ => {}
                            }
                        }
                    }
                }
            }
            ways = next;
        }
        let size = f.ingredients.len() as u32;
        let keep = (size * c.keep_percent).div_ceil(100).max(c.keep_at_least.min(size));
        let mut combined = Vec::new();
        for (mask, points) in &whole {
            combined.extend(ways.iter().filter(|w| w.2 >= keep).map(|w| (mask | w.0, points + w.1)));
        }
        whole = combined;
    }
    let full = rx.len() as u32;
    let further = c.further_base * (bases.len() as u32 - 1);
    whole.into_iter().map(|(mask, p)| p + further + c.add * (full - mask.count_ones())).min()
}

/// The search against trying every sum of one to three formulas out of a small collection.
#[test]
fn the_search_finds_what_trying_everything_finds() {
    let sets: Vec<(FormulaIx, Vec<SubstanceIx>)> = m()
        .formulas()
        .filter(|(_, f)| f.ingredients.len() <= 6)
        .step_by(9)
        .take(26)
        .map(|(ix, f)| (ix, f.ingredients.iter().filter_map(|i| m().substance_by_id(&i.substance)).collect()))
        .collect();
    let tracer = Tracer::over(m(), sets.clone());
    let ids: Vec<FormulaIx> = sets.iter().map(|(f, _)| *f).collect();
    let mut seed = 11u64;
    let mut random = |n: usize| {
        seed = seed.wrapping_mul(6364136223846793005).wrapping_add(1442695040888963407);
        (seed >> 33) as usize % n
    };
    for round in 0..40 {
        let mut rx: Vec<SubstanceIx> = Vec::new();
        for _ in 0..1 + round % 3 {
            for s in &sets[random(sets.len())].1 {
                if random(5) > 0 && !rx.contains(s) {
                    rx.push(*s);
                }
            }
        }
        for _ in 0..random(3) {
            let s = SubstanceIx(random(m().substances().len()) as u32);
            if !rx.contains(&s) {
                rx.push(s);
            }
        }
        if rx.is_empty() {
            continue;
        }
        let nothing = m().library().costs.clone().unwrap().add * rx.len() as u32;
        let mut least = nothing;
        for (i, a) in ids.iter().enumerate() {
            least = least.min(points(&[*a], &rx).unwrap_or(nothing));
            for (j, b) in ids.iter().enumerate().skip(i + 1) {
                least = least.min(points(&[*a, *b], &rx).unwrap_or(nothing));
                for c in ids.iter().skip(j + 1) {
                    least = least.min(points(&[*a, *b, *c], &rx).unwrap_or(nothing));
                }
            }
        }
        let grams = vec![None; rx.len()];
        let trace = tracer.trace(m(), &rx, &grams, |_| true).unwrap();
        let found = trace.best.first().map_or(nothing, |s| s.points);
        assert_eq!(found, least, "round {round}: {:?}", rx.iter().map(|s| &m().substance(*s).id).collect::<Vec<_>>());
    }
}

/// Chu–Liu/Edmonds against every choice of one entering edge a node, on small graphs.
#[test]
fn the_arborescence_is_the_cheapest() {
    let mut seed = 5u64;
    let mut random = |n: u64| {
        seed = seed.wrapping_mul(6364136223846793005).wrapping_add(1442695040888963407);
        (seed >> 33) % n
    };
    for _ in 0..300 {
        let nodes = 5;
        let mut edges: Vec<(usize, usize, i64)> = (1..nodes).map(|v| (0, v, 40 + random(40) as i64)).collect();
        for _ in 0..8 {
            let (a, b) = (1 + random(4) as usize, 1 + random(4) as usize);
            if a != b {
                edges.push((a, b, random(50) as i64));
            }
        }
        let chosen = arborescence(nodes, 0, &edges);
        assert_eq!(chosen.len(), nodes - 1);
        let total: i64 = chosen.iter().map(|i| edges[*i].2).sum();
        let entering: Vec<Vec<&(usize, usize, i64)>> =
            (1..nodes).map(|v| edges.iter().filter(|e| e.1 == v).collect()).collect();
        let mut least = i64::MAX;
        let ways: usize = entering.iter().map(Vec::len).product();
        for mut way in 0..ways {
            let mut parent = [0usize; 5];
            let mut cost = 0;
            for (k, list) in entering.iter().enumerate() {
                let e = list[way % list.len()];
                way /= list.len();
                parent[k + 1] = e.0;
                cost += e.2;
            }
            let rooted = (1..nodes).all(|v| {
                let mut at = v;
                for _ in 0..nodes {
                    at = parent[at];
                }
                at == 0
            });
            if rooted {
                least = least.min(cost);
            }
        }
        assert_eq!(total, least);
    }
}
