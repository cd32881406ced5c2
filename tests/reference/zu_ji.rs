//! Zu Ji (Shi Pei, 1640) states formulas as "that one plus … minus …". Given the ancestor's composition, reader and
//! blending have to give the derived formula; where our collection holds both, `compare` is held against the book.

use std::collections::{BTreeMap, BTreeSet};

use fangwright_formula::{Mix, What, blend, compare, read};
use fangwright_materia::{Materia, SubstanceIx};
use serde::Deserialize;

#[derive(Deserialize)]
struct Facts {
    statement: Vec<Statement>,
}

#[derive(Deserialize)]
struct Statement {
    name: String,
    at: String,
    ancestor: String,
    base: Vec<String>,
    #[serde(default)]
    plus: Vec<String>,
    #[serde(default)]
    minus: Vec<String>,
    derived: Vec<String>,
    note: Option<String>,
}

#[derive(Deserialize)]
struct Explained {
    difference: Vec<Explanation>,
}

#[derive(Deserialize)]
struct Explanation {
    name: String,
    at: String,
    ancestor: String,
    why: String,
}

/// As raw substances: the old book does not always say which processed form it means.
fn raw(m: &Materia, names: &[String]) -> Option<BTreeSet<SubstanceIx>> {
    names.iter().map(|n| m.resolve(n).settled().map(|s| m.raw_form(s))).collect()
}

#[test]
fn statements_come_out() {
    let m = Materia::embedded();
    let facts: Facts = fangwright_checks::facts("zu-ji.toml");
    assert!(facts.statement.len() >= 200, "{}", facts.statement.len());
    let (mut made, mut blends, mut unresolved) = (0, 0, Vec::new());
    for s in &facts.statement {
        let Some(wanted) = raw(&m, &s.derived) else {
            unresolved.extend(s.derived.iter().filter(|n| m.resolve(n).settled().is_none()).cloned());
            continue;
        };
        // As a practitioner would write it: the ancestor's ingredients, then what is added and left out.
        let mut text = s.base.join("、");
        if !s.minus.is_empty() {
            text.push_str(&format!(" 去{}", s.minus.join("、去")));
        }
        if !s.plus.is_empty() {
            text.push_str(&format!(" 加{}", s.plus.join("、")));
        }
        let rx = read(&m, &text);
        let got: BTreeSet<SubstanceIx> = rx.substances().into_iter().map(|x| m.raw_form(x)).collect();
        let names = |set: &BTreeSet<SubstanceIx>| set.iter().map(|x| m.substance(*x).hanzi.clone()).collect::<Vec<_>>();
        assert_eq!(names(&got), names(&wanted), "{} ({}): {text}", s.name, s.at);
        made += 1;
        // And as a sum: the ancestor's ingredients, plus, minus. A sum takes no ambiguous name, not even to take it out.
        if raw(&m, &s.base).is_none() {
            continue;
        }
        let mut sum = s.base.join(" + ");
        for gone in &s.minus {
            sum.push_str(&format!(" - {gone}"));
        }
        for new in &s.plus {
            sum.push_str(&format!(" + {new}"));
        }
        let blended = blend(&m, &sum).unwrap_or_else(|e| panic!("{} ({}): {sum}: {e}", s.name, s.at));
        let got: BTreeSet<SubstanceIx> = blended.lines.iter().map(|l| m.raw_form(l.substance)).collect();
        assert_eq!(names(&got), names(&wanted), "{} ({}): {sum}", s.name, s.at);
        blends += 1;
    }
    unresolved.sort();
    unresolved.dedup();
    println!(
        "Zu Ji: {made} of {} statements made from the ancestor, {blends} of them as a sum too; {} left out for names we do not hold: {}",
        facts.statement.len(),
        facts.statement.len() - made,
        unresolved.join(" ")
    );
    assert!(made >= 200 && blends >= 200);
}

#[test]
fn our_collection_agrees_or_the_difference_is_explained() {
    let m = Materia::embedded();
    let facts: Facts = fangwright_checks::facts("zu-ji.toml");
    let explained: Explained = fangwright_checks::facts("zu-ji-differences.toml");
    let mut why: BTreeMap<(String, String, String), String> =
        explained.difference.into_iter().map(|d| ((d.name, d.at, d.ancestor), d.why)).collect();
    let (mut both, mut agree) = (0, 0);
    let mut open = Vec::new();
    for s in &facts.statement {
        let (Some(ancestor), Some(derived)) =
            (m.resolve_formula(&s.ancestor).settled(), m.resolve_formula(&s.name).settled())
        else {
            continue;
        };
        // Only exact names: a near name is another formula here.
        let is = |f, name: &str| {
            let f = m.formula(f);
            f.hanzi == name || f.aliases.iter().any(|a| a == name)
        };
        if !is(ancestor, &s.ancestor) || !is(derived, &s.name) {
            continue;
        }
        let (Some(plus), Some(minus)) = (raw(&m, &s.plus), raw(&m, &s.minus)) else { continue };
        both += 1;
        let key = (s.name.clone(), s.at.clone(), s.ancestor.clone());
        let d = compare(&m, &Mix::of_formula(&m, ancestor), &Mix::of_formula(&m, derived));
        let set = |what| -> BTreeSet<SubstanceIx> {
            d.of(what).filter_map(|c| c.after.or(c.before)).map(|x| m.raw_form(x)).collect()
        };
        let (added, removed) = (set(What::Added), set(What::Removed));
        // A swap that compare sees as one change the book writes as two.
        let swapped: BTreeSet<SubstanceIx> =
            d.of(What::Swapped).filter_map(|c| c.after).map(|x| m.raw_form(x)).collect();
        let out: BTreeSet<SubstanceIx> = d.of(What::Swapped).filter_map(|c| c.before).map(|x| m.raw_form(x)).collect();
        let plain = added == plus && removed == minus && swapped.is_empty();
        let with_swaps = added.union(&swapped).copied().collect::<BTreeSet<_>>() == plus
            && removed.union(&out).copied().collect::<BTreeSet<_>>() == minus;
        if plain || with_swaps {
            agree += 1;
            continue;
        }
        match why.remove(&key) {
            Some(reason) => println!("explained: {} ({}): {reason}", s.name, s.at),
            None => {
                let names = |set: &BTreeSet<SubstanceIx>| {
                    set.iter().map(|x| m.substance(*x).hanzi.clone()).collect::<Vec<_>>().join(" ")
                };
                open.push(format!(
                    "{}\t{}\t{}\tbook +[{}] -[{}]\tours +[{}] -[{}] swap[{}→{}]\t{}",
                    s.name,
                    s.at,
                    s.ancestor,
                    names(&plus),
                    names(&minus),
                    names(&added),
                    names(&removed),
                    names(&out),
                    names(&swapped),
                    s.note.as_deref().unwrap_or("")
                ));
            }
        }
    }
    println!(
        "Zu Ji: our collection holds both in {both} statements; {agree} agree ({:.0} %)",
        100.0 * agree as f64 / both.max(1) as f64
    );
    assert!(open.is_empty(), "unexplained:\n{}", open.join("\n"));
    assert!(why.is_empty(), "explanations that are no longer needed: {:?}", why.keys().collect::<Vec<_>>());
}
