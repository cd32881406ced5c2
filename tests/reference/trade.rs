//! Facts of the trade about the four-ingredient base of qi formulas and its family: common practice, no source.

use fangwright_formula::{Difference, Families, Mix, Tracer, Verdict, What, blend, compare};
use fangwright_materia::{FormulaIx, Materia, SubstanceIx};

fn formula(m: &Materia, id: &str) -> FormulaIx {
    m.formula_by_id(id).unwrap_or_else(|| panic!("{id} is missing"))
}

fn substance(m: &Materia, id: &str) -> SubstanceIx {
    m.substance_by_id(id).unwrap_or_else(|| panic!("{id} is missing"))
}

/// The formulas that stand first in the trace of a sum.
fn best(m: &Materia, expression: &str) -> Vec<Vec<String>> {
    let sum = blend(m, expression).unwrap();
    let trace = Tracer::new(m).trace(m, &sum.mix().substances(), &vec![None; sum.lines.len()], |_| true).unwrap();
    trace.best.iter().map(|s| s.bases.iter().map(|b| m.formula(b.formula).id.clone()).collect()).collect()
}

/// Best sums behind a formula, leaving out formulas with the same substances, and any named.
fn behind(m: &Materia, id: &str, not: &[&str]) -> Vec<Vec<String>> {
    let target = Mix::of_formula(m, formula(m, id)).substances();
    let mut sorted = target.clone();
    sorted.sort();
    let tracer = Tracer::new(m);
    let allow = |f: FormulaIx| {
        let mut set = Mix::of_formula(m, f).substances();
        set.sort();
        set != sorted && !not.contains(&m.formula(f).id.as_str())
    };
    let trace = tracer.trace(m, &target, &vec![None; target.len()], allow).unwrap();
    trace.best.iter().map(|s| s.bases.iter().map(|b| m.formula(b.formula).id.clone()).collect()).collect()
}

fn difference(m: &Materia, before: &str, after: &str) -> Difference {
    compare(m, &Mix::of_formula(m, formula(m, before)), &Mix::of_formula(m, formula(m, after)))
}

fn changed(m: &Materia, d: &Difference, what: What) -> Vec<String> {
    d.of(what).filter_map(|c| Some(m.substance(c.after.or(c.before)?).id.clone())).collect()
}

/// The reason that the program itself gives for taking out Fu Ling, if it names the tendency.
fn downward_reason(m: &Materia, d: &Difference) -> String {
    let fu_ling = substance(m, "fu-ling");
    let change = d.of(What::Removed).find(|c| c.before == Some(fu_ling)).expect("Fu Ling is taken out");
    assert!(matches!(change.verdict, Verdict::Fits | Verdict::Both), "{change:?}");
    let point = change.points.iter().find(|p| p.by == "tendency").expect("the tendency is named");
    assert_eq!(point.speaks, Some(true));
    point.text.clone()
}

#[test]
fn six_gentlemen_are_four_plus_two() {
    let m = Materia::embedded();
    assert_eq!(best(&m, "四君子汤加陈皮半夏")[0], ["liu-jun-zi-tang"]);
    assert_eq!(best(&m, "Si Jun Zi Tang + Chen Pi + Ban Xia")[0], ["liu-jun-zi-tang"]);
}

#[test]
fn with_costus_and_amomum_the_next() {
    let m = Materia::embedded();
    assert_eq!(best(&m, "Si Jun Zi Tang + Chen Pi + Ban Xia + Mu Xiang + Sha Ren")[0], ["xiang-sha-liu-jun-zi-tang"]);
}

#[test]
fn lifting_takes_fu_ling_out_and_says_why() {
    let m = Materia::embedded();
    let d = difference(&m, "si-jun-zi-tang", "bu-zhong-yi-qi-tang");
    assert_eq!(changed(&m, &d, What::Removed), ["fu-ling"]);
    let added = changed(&m, &d, What::Added);
    for id in ["huang-qi", "sheng-ma", "chai-hu"] {
        assert!(
            added.contains(&id.to_string()) || added.iter().any(|a| a.ends_with(id)),
            "{id} is brought in: {added:?}"
        );
    }
    let reason = downward_reason(&m, &d);
    println!("{reason}");
    assert!(reason.contains("downward") && reason.contains("lift"), "{reason}");
}

#[test]
fn a_threatened_pregnancy_is_held_up() {
    let m = Materia::embedded();
    // Against the sum that the formula is built on: the two bases of qi and blood.
    let d = difference(&m, "ba-zhen-tang", "tai-shan-pan-shi-san");
    assert!(changed(&m, &d, What::Removed).contains(&"fu-ling".to_string()));
    let reason = downward_reason(&m, &d);
    println!("{reason}");
    assert!(reason.contains("downward") && reason.contains("threatened miscarriage"), "{reason}");
    let d = difference(&m, "si-jun-zi-tang", "tai-shan-pan-shi-san");
    assert!(downward_reason(&m, &d).contains("downward"));
}

#[test]
fn the_same_without_a_named_target() {
    let m = Materia::embedded();
    // A prescription that is no formula of the collection: what it brings in shows where it is going.
    let before = Mix::of_formula(&m, formula(&m, "si-jun-zi-tang"));
    let sum = blend(&m, "Si Jun Zi Tang - Fu Ling + Huang Qi 15g + Sheng Ma 6g + Chai Hu 6g").unwrap();
    let d = compare(&m, &before, &sum.mix());
    let reason = downward_reason(&m, &d);
    assert!(reason.contains("downward") && reason.contains("lift"), "{reason}");
}

#[test]
fn eight_treasures_are_four_and_four() {
    let m = Materia::embedded();
    let sums = behind(&m, "ba-zhen-tang", &[]);
    let wanted = ["si-jun-zi-tang", "si-wu-tang"];
    assert!(sums.iter().any(|s| wanted.iter().all(|w| s.iter().any(|x| x == w))), "{sums:?}");
    assert!(best(&m, "Si Jun Zi Tang + Si Wu Tang").iter().any(|s| s.contains(&"ba-zhen-tang".to_string())));
}

#[test]
fn ten_are_eight_plus_two() {
    let m = Materia::embedded();
    let d = difference(&m, "ba-zhen-tang", "shi-quan-da-bu-tang");
    let added: Vec<String> = changed(&m, &d, What::Added);
    assert_eq!(added.len(), 2, "{added:?}");
    assert!(added.contains(&"huang-qi".to_string()) && added.contains(&"rou-gui".to_string()), "{added:?}");
    assert!(changed(&m, &d, What::Removed).is_empty());
    let sums = behind(&m, "shi-quan-da-bu-tang", &[]);
    assert!(sums.iter().any(|s| s == &["ba-zhen-tang"]), "{sums:?}");
}

#[test]
fn the_powder_and_the_heart_spleen_formula_stand_on_the_same_base() {
    let m = Materia::embedded();
    for id in ["shen-ling-bai-zhu-san", "gui-pi-tang"] {
        // Of the single bases that the trade teaches first, the four-ingredient one is nearest.
        let target = Mix::of_formula(&m, formula(&m, id)).substances();
        let base = Mix::of_formula(&m, formula(&m, "si-jun-zi-tang")).substances();
        let pairs = fangwright_formula::pair(&m, &base, &target);
        assert_eq!(pairs.len(), 4, "{id} holds all four, as such or in another form: {pairs:?}");
        let trace = Tracer::new(&m)
            .trace(&m, &target, &vec![None; target.len()], |f| {
                [
                    "si-jun-zi-tang",
                    "si-wu-tang",
                    "er-chen-tang",
                    "gui-zhi-tang",
                    "liu-wei-di-huang-wan",
                    "xiao-chai-hu-tang",
                ]
                .contains(&m.formula(f).id.as_str())
            })
            .unwrap();
        assert_eq!(m.formula(trace.singles[0].bases[0].formula).id, "si-jun-zi-tang", "{id}");
        assert!(
            trace.best.iter().any(|s| s.bases.iter().any(|b| m.formula(b.formula).id == "si-jun-zi-tang")),
            "{id}: {:?}",
            trace
                .best
                .iter()
                .map(|s| s.bases.iter().map(|b| m.formula(b.formula).id.clone()).collect::<Vec<_>>())
                .collect::<Vec<_>>()
        );
    }
}

#[test]
fn the_family_holds_its_known_members() {
    let m = Materia::embedded();
    let families = Families::new(&m);
    let family = families.of(&m, formula(&m, "si-jun-zi-tang"));
    let ids: Vec<&str> = family.members.iter().map(|x| m.formula(x.formula).id.as_str()).collect();
    for id in ["liu-jun-zi-tang", "yi-gong-san", "xiang-sha-liu-jun-zi-tang"] {
        assert!(ids.contains(&id), "{id} descends from the base: {ids:?}");
    }
}
