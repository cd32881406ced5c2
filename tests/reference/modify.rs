//! Facts of the trade about changing the four-ingredient base of qi formulas: common practice, no source.

use fangwright_formula::{Mix, Tracer};
use fangwright_materia::Materia;
use fangwright_materia::records::Role;
use fangwright_pattern::{BaseItem, Customs, Demand, Fate, Modified, Wish, WishError, modify};
use fangwright_safety::{Facts, Patient, Rulebook};

struct Bench {
    m: Materia,
    book: Rulebook,
    customs: Customs,
}

impl Bench {
    fn new() -> Bench {
        let m = Materia::embedded();
        let book = Rulebook::new(&m);
        let customs = Customs::new(&m);
        Bench { m, book, customs }
    }

    fn base(&self, id: &str) -> Vec<BaseItem> {
        let ix = self.m.formula_by_id(id).unwrap();
        let parts = Mix::of_formula(&self.m, ix).parts;
        let item = |p: &fangwright_formula::Part| BaseItem {
            substance: p.substance,
            grams: p.grams,
            role: p.role.unwrap_or(Role::Assistant),
        };
        parts.iter().map(item).collect()
    }

    fn run(&self, wish: &Wish, patient: &Patient) -> Modified {
        let facts = Facts::new(&self.book, patient).unwrap();
        modify(&self.m, &self.book, &self.customs, &facts, wish, 5).unwrap()
    }

    fn changed(&self, found: &Modified, proposal: usize, fate: Fate) -> Vec<String> {
        let lines = found.proposals[proposal].lines.iter().filter(|l| l.fate == fate);
        lines.map(|l| self.m.substance(l.substance).id.clone()).collect()
    }

    /// What comes in and goes out of the base in the first proposal.
    fn first(&self, needs: &[&str], patterns: &[&str]) -> (Vec<String>, Vec<String>) {
        let strings = |list: &[&str]| list.iter().map(|s| s.to_string()).collect();
        let wish = Wish {
            base: self.base("si-jun-zi-tang"),
            needs: strings(needs),
            patterns: strings(patterns),
            ..Wish::default()
        };
        let found = self.run(&wish, &Patient::default());
        assert!(found.proven && !found.proposals.is_empty(), "{needs:?} {patterns:?}");
        for p in &found.proposals {
            assert!(p.grave.is_empty(), "{p:?}");
        }
        (self.changed(&found, 0, Fate::Added), self.changed(&found, 0, Fate::Removed))
    }
}

fn all_of(list: &[String], allowed: &[&str]) -> bool {
    !list.is_empty() && list.iter().all(|x| allowed.contains(&x.as_str()))
}

#[test]
fn to_raise_what_sinks_fu_ling_goes_out_and_the_lifters_come_in() {
    let b = Bench::new();
    let (added, removed) = b.first(&["raise-yang"], &[]);
    assert_eq!(removed, ["fu-ling"]);
    assert!(all_of(&added, &["huang-qi", "sheng-ma", "chai-hu"]), "{added:?}");
    // The reason is the one the trade gives.
    let wish = Wish { base: b.base("si-jun-zi-tang"), needs: vec!["raise-yang".into()], ..Wish::default() };
    let found = b.run(&wish, &Patient::default());
    let out = found.proposals[0].lines.iter().find(|l| l.fate == Fate::Removed).unwrap();
    assert!(out.why[0].contains("moves downward, where the qi has to be lifted"), "{:?}", out.why);
}

#[test]
fn phlegm_brings_chen_pi_and_ban_xia_and_the_known_formula_is_named() {
    let b = Bench::new();
    let (added, _) = b.first(&["regulate-qi", "dry-damp-phlegm"], &[]);
    assert!(all_of(&added, &["chen-pi", "ban-xia"]) && added.len() == 2, "{added:?}");
    let wish = Wish {
        base: b.base("si-jun-zi-tang"),
        needs: vec!["regulate-qi".into(), "dry-damp-phlegm".into()],
        ..Wish::default()
    };
    let found = b.run(&wish, &Patient::default());
    let here: Vec<_> = found.proposals[0].lines.iter().filter(|l| l.fate != Fate::Removed).collect();
    let set: Vec<_> = here.iter().map(|l| l.substance).collect();
    let grams: Vec<_> = here.iter().map(|l| l.grams).collect();
    let trace = Tracer::new(&b.m).trace(&b.m, &set, &grams, |_| true).unwrap();
    let named: Vec<&str> =
        trace.best.iter().flat_map(|s| &s.bases).map(|x| b.m.formula(x.formula).id.as_str()).collect();
    assert!(named.contains(&"liu-jun-zi-tang"), "{named:?}");
}

#[test]
fn other_complaints_bring_what_practice_brings() {
    let b = Bench::new();
    // Cold-damp stagnation in the middle: Mu Xiang for the pain, Sha Ren for the cold.
    let (added, _) = b.first(&["regulate-qi", "transform-damp", "stop-pain"], &[]);
    assert!(added.contains(&"mu-xiang".to_string()), "with pain: {added:?}");
    let (added, _) = b.first(&["regulate-qi", "transform-damp", "warm-interior"], &[]);
    assert!(added.contains(&"sha-ren".to_string()), "with cold: {added:?}");
    let (added, _) = b.first(&["regulate-qi", "transform-damp", "warm-interior", "stop-pain"], &[]);
    assert!(["mu-xiang", "sha-ren"].iter().all(|x| added.contains(&x.to_string())), "all in one: {added:?}");
    let (added, _) = b.first(&["stop-diarrhea"], &["spleen-deficiency-damp"]);
    assert!(all_of(&added, &["bai-bian-dou", "yi-yi-ren", "lian-zi"]), "diarrhoea from damp: {added:?}");
    let (added, _) = b.first(&["nourish-heart", "calm-spirit"], &[]);
    assert!(all_of(&added, &["suan-zao-ren", "long-yan-rou", "yuan-zhi"]), "sleepless: {added:?}");
    // Threatened pregnancy: Fu Ling goes out; one of the three that practice names comes in, beside another.
    let (added, removed) = b.first(&["calm-fetus"], &[]);
    assert_eq!(removed, ["fu-ling"]);
    assert!(added.iter().any(|x| ["xu-duan", "huang-qin", "sha-ren"].contains(&x.as_str())), "{added:?}");
}

#[test]
fn nothing_that_hurts_is_proposed_and_wishes_are_kept() {
    let b = Bench::new();
    let pregnant = Patient { pregnant: Some(true), medicines: Some(vec!["warfarin".into()]), ..Patient::default() };
    let wish = Wish {
        base: b.base("si-wu-tang"),
        patterns: vec!["blood-deficiency".into()],
        needs: vec!["invigorate-blood".into()],
        ..Wish::default()
    };
    let found = b.run(&wish, &pregnant);
    for (i, p) in found.proposals.iter().enumerate() {
        assert!(p.grave.is_empty());
        let added = b.changed(&found, i, Fate::Added);
        assert!(!added.contains(&"dan-shen".to_string()), "{added:?}");
    }
    let why = found.rejected.iter().find(|r| b.m.substance(r.substance).id == "dan-shen").unwrap();
    assert!(why.why.starts_with("rule "), "{why:?}");
    // Proposals differ in at least two substances.
    let sets: Vec<std::collections::BTreeSet<_>> = found
        .proposals
        .iter()
        .map(|p| p.lines.iter().filter(|l| l.fate != Fate::Removed).map(|l| l.substance).collect())
        .collect();
    for (i, x) in sets.iter().enumerate() {
        for y in &sets[..i] {
            assert!(x.symmetric_difference(y).count() >= 2);
        }
    }
    let id = |s: &str| b.m.substance_by_id(s).unwrap();
    let wish = Wish {
        base: b.base("si-jun-zi-tang"),
        needs: vec!["raise-yang".into()],
        keep: vec![id("fu-ling")],
        dislikes: vec![id("huang-qi")],
        ..Wish::default()
    };
    let found = b.run(&wish, &Patient::default());
    for i in 0..found.proposals.len() {
        assert!(!b.changed(&found, i, Fate::Removed).contains(&"fu-ling".to_string()));
        assert!(!b.changed(&found, i, Fate::Added).contains(&"huang-qi".to_string()));
    }
}

#[test]
fn an_impossible_wish_names_the_smallest_set_that_cannot_hold() {
    let b = Bench::new();
    let wish = Wish {
        base: b.base("si-jun-zi-tang"),
        needs: vec!["raise-yang".into(), "calm-spirit".into()],
        most_ingredients: Some(1),
        ..Wish::default()
    };
    let found = b.run(&wish, &Patient::default());
    assert!(found.proposals.is_empty());
    assert!(found.conflict.contains(&Demand::Ingredients { most: 1 }), "{:?}", found.conflict);
    assert!(found.conflict.len() >= 2 && found.conflict.len() <= 3, "{:?}", found.conflict);
    let facts = Facts::new(&b.book, &Patient::default()).unwrap();
    let ask = |wish: &Wish| modify(&b.m, &b.book, &b.customs, &facts, wish, 5).unwrap_err();
    assert_eq!(ask(&Wish::default()), WishError::NoBase);
    let base = b.base("si-jun-zi-tang");
    assert_eq!(ask(&Wish { base: base.clone(), ..Wish::default() }), WishError::NoNeed);
    let odd = Wish { base: base.clone(), needs: vec!["fly".into()], ..Wish::default() };
    assert_eq!(ask(&odd), WishError::Action("fly".into()));
    let odd = Wish { base, patterns: vec!["purple".into()], ..Wish::default() };
    assert_eq!(ask(&odd), WishError::Pattern("purple".into()));
}
