//! What changed from one mix to another, and why each change fits or works against what it is for.
//!
//! Every reason is put together from the data of the substances, actions, patterns and formulas involved; none is
//! written for one formula.

use std::collections::BTreeSet;

use fangwright_amount::Rational;
use fangwright_materia::records::{Lean, Tendency};
use fangwright_materia::{FormulaIx, Materia, SubstanceIx};
use schemars::JsonSchema;
use serde::Serialize;

use crate::matching::{Tie, pair};
use crate::mix::{Mix, formula_label, label};
use crate::profile::Profile;

/// What happened to an ingredient.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum What {
    /// There in both, in the same dose (or one dose is not known).
    Kept,
    /// There in both, in another dose.
    Redosed,
    /// There in both, in another processed form.
    OtherForm,
    /// Replaced by what practice puts in its place.
    Swapped,
    /// Brought in.
    Added,
    /// Taken out.
    Removed,
}

/// How a change stands to the aim.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Verdict {
    /// The data gives a reason for it.
    Fits,
    /// The data speaks against it.
    Against,
    /// The data speaks for and against.
    Both,
    /// Nothing in the data speaks for or against it.
    Open,
}

/// One point of a reason, with the kind of fact it rests on.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct Point {
    /// `action`, `tendency`, `nature`, `role`, `cover` or `dose`.
    pub by: String,
    /// Speaks for the change (true), against it (false), or tells only.
    pub speaks: Option<bool>,
    /// In plain words.
    pub text: String,
}

/// One change with its reason.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct Changed {
    /// What happened.
    pub what: What,
    /// The ingredient before; none for an added one.
    pub before: Option<SubstanceIx>,
    /// The ingredient after; none for a removed one.
    pub after: Option<SubstanceIx>,
    /// Grams before.
    pub grams_before: Option<Rational>,
    /// Grams after.
    pub grams_after: Option<Rational>,
    /// How it stands to the aim.
    pub verdict: Verdict,
    /// The reason, point by point.
    pub points: Vec<Point>,
}

/// Up and out, or down and in.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Way {
    /// Rising and floating.
    Up,
    /// Falling and sinking.
    Down,
}

/// What a prescription is for, as far as data says.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema, Default)]
pub struct Aim {
    /// Pattern ids.
    pub patterns: Vec<String>,
    /// Action ids it is for.
    pub actions: Vec<String>,
    /// Where it has to move, with what says so.
    pub way: Option<(Way, String)>,
    /// Which side of nature it wants, with what says so.
    pub side: Option<(Lean, String)>,
}

/// The whole difference.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct Difference {
    /// The mix before.
    pub before: Mix,
    /// The mix after.
    pub after: Mix,
    /// What the reasons are measured against.
    pub aim: Aim,
    /// Every ingredient of either side once.
    pub changes: Vec<Changed>,
    /// Profile before.
    pub profile_before: Option<Profile>,
    /// Profile after.
    pub profile_after: Option<Profile>,
}

impl Difference {
    /// Whether the two hold the same substances.
    pub fn same_substances(&self) -> bool {
        self.changes.iter().all(|c| matches!(c.what, What::Kept | What::Redosed))
    }

    /// Changes of one kind.
    pub fn of(&self, what: What) -> impl Iterator<Item = &Changed> {
        self.changes.iter().filter(move |c| c.what == what)
    }
}

fn list(names: &[String]) -> String {
    match names {
        [] => String::new(),
        [one] => one.clone(),
        [start @ .., last] => format!("{} and {last}", start.join(", ")),
    }
}

/// What a direction asks for, in words.
fn moving(d: Tendency) -> &'static str {
    match d {
        Tendency::Rising => "lifting",
        Tendency::Floating => "moving outward",
        Tendency::Falling => "leading downward",
        Tendency::Sinking => "leading down and in",
    }
}

fn movement(ways: &[(Tendency, String)]) -> String {
    let mut words: Vec<String> = Vec::new();
    for (d, _) in ways {
        let word = moving(*d).to_string();
        if !words.contains(&word) {
            words.push(word);
        }
    }
    list(&words)
}

fn way_of(tendency: &[Tendency]) -> Option<Way> {
    if tendency.iter().all(|t| t.is_upward()) {
        Some(Way::Up)
    } else if tendency.iter().all(|t| !t.is_upward()) {
        Some(Way::Down)
    } else {
        None
    }
}

fn side_of(m: &Materia, s: SubstanceIx) -> Option<Lean> {
    // Slight warmth or coolness decides nothing.
    match m.substance(s).nature.degree() {
        ..=-3 => Some(Lean::Cold),
        2.. => Some(Lean::Hot),
        _ => None,
    }
}

struct Reasoner<'a> {
    m: &'a Materia,
    before: &'a Mix,
    after: &'a Mix,
    added: Vec<SubstanceIx>,
    removed: Vec<SubstanceIx>,
    aim: Aim,
    /// The aim of the base alone.
    base_aim: Aim,
}

/// The aim of a formula as its record states it.
pub fn aim_of_formula(m: &Materia, ix: FormulaIx) -> Aim {
    let f = m.formula(ix);
    let library = m.library();
    let mut actions: Vec<String> = f.actions.clone();
    let mut ways = Vec::new();
    let mut sides = Vec::new();
    for id in &f.patterns {
        let Some(pattern) = library.patterns.get(id) else { continue };
        for need in &pattern.needs {
            if !actions.contains(need) {
                actions.push(need.clone());
            }
        }
        ways.extend(pattern.direction.map(|d| (d, pattern.en.clone())));
        sides.extend(pattern.nature.map(|n| (n, pattern.en.clone())));
    }
    let mut aim = Aim { patterns: f.patterns.clone(), actions, way: None, side: None };
    let up: Vec<String> = ways.iter().filter(|(d, _)| d.is_upward()).map(|(_, e)| e.clone()).collect();
    let down: Vec<String> = ways.iter().filter(|(d, _)| !d.is_upward()).map(|(_, e)| e.clone()).collect();
    if !up.is_empty() && down.is_empty() {
        aim.way = Some((Way::Up, format!("the {} asks for {}", list(&up), movement(&ways))));
    } else if !down.is_empty() && up.is_empty() {
        aim.way = Some((Way::Down, format!("the {} asks for {}", list(&down), movement(&ways))));
    } else {
        aim.way = way_of_actions(m, &f.actions);
    }
    let cold: Vec<String> = sides.iter().filter(|(l, _)| *l == Lean::Cold).map(|(_, e)| e.clone()).collect();
    let hot: Vec<String> = sides.iter().filter(|(l, _)| *l == Lean::Hot).map(|(_, e)| e.clone()).collect();
    if !cold.is_empty() && hot.is_empty() {
        aim.side = Some((Lean::Cold, format!("the {} asks for cooling", list(&cold))));
    } else if !hot.is_empty() && cold.is_empty() {
        aim.side = Some((Lean::Hot, format!("the {} asks for warmth", list(&hot))));
    }
    aim
}

fn way_of_actions(m: &Materia, actions: &[String]) -> Option<(Way, String)> {
    let library = m.library();
    let moving: Vec<(&str, Tendency)> = actions
        .iter()
        .filter_map(|a| library.actions.get(a))
        .filter_map(|a| Some((a.en.as_str(), a.direction?)))
        .collect();
    let up: Vec<String> = moving.iter().filter(|(_, d)| d.is_upward()).map(|(e, _)| (*e).to_string()).collect();
    let down: Vec<String> = moving.iter().filter(|(_, d)| !d.is_upward()).map(|(e, _)| (*e).to_string()).collect();
    if !up.is_empty() && down.is_empty() {
        Some((Way::Up, format!("to {} is to lift or move outward", list(&up))))
    } else if !down.is_empty() && up.is_empty() {
        Some((Way::Down, format!("to {} is to lead down or inward", list(&down))))
    } else {
        None
    }
}

/// Compares two mixes and gives each change its reason.
pub fn compare(m: &Materia, before: &Mix, after: &Mix) -> Difference {
    compare_for(m, before, after, &[])
}

/// As [`compare`], with the patterns that the second mix is written for.
pub fn compare_for(m: &Materia, before: &Mix, after: &Mix, patterns: &[String]) -> Difference {
    let (old, new) = (before.substances(), after.substances());
    let pairs = pair(m, &old, &new);
    let removed: Vec<SubstanceIx> = old.iter().copied().filter(|s| !pairs.iter().any(|(a, _, _)| a == s)).collect();
    let added: Vec<SubstanceIx> = new.iter().copied().filter(|s| !pairs.iter().any(|(_, b, _)| b == s)).collect();
    let base_aim = before.formula.map(|f| aim_of_formula(m, f)).unwrap_or_default();
    let aim = aim(m, after, &added, &base_aim, patterns);
    let r = Reasoner { m, before, after, added: added.clone(), removed: removed.clone(), aim, base_aim };
    let mut changes = Vec::new();
    for (a, b, how) in &pairs {
        let (ga, gb) = (before.grams(*a), after.grams(*b));
        let what = match how {
            Tie::Same if ga.is_some() && gb.is_some() && ga != gb => What::Redosed,
            Tie::Same => What::Kept,
            Tie::OtherForm => What::OtherForm,
            Tie::Swap => What::Swapped,
        };
        let points = match what {
            What::Redosed => r.redosed(*a, ga, gb),
            What::OtherForm | What::Swapped => r.exchanged(*a, *b, what),
            _ => Vec::new(),
        };
        changes.push(r.changed(what, Some(*a), Some(*b), points));
    }
    for s in &removed {
        changes.push(r.changed(What::Removed, Some(*s), None, r.removed(*s)));
    }
    for s in &added {
        changes.push(r.changed(What::Added, None, Some(*s), r.added(*s)));
    }
    Difference {
        before: before.clone(),
        after: after.clone(),
        aim: r.aim.clone(),
        changes,
        profile_before: Profile::of(m, before),
        profile_after: Profile::of(m, after),
    }
}

fn aim(m: &Materia, after: &Mix, added: &[SubstanceIx], base: &Aim, patterns: &[String]) -> Aim {
    let library = m.library();
    if let Some(f) = after.formula
        && patterns.is_empty()
    {
        return aim_of_formula(m, f);
    }
    let mut aim = base.clone();
    if !patterns.is_empty() {
        aim = Aim { patterns: patterns.to_vec(), ..Aim::default() };
        for p in patterns.iter().filter_map(|p| library.patterns.get(p)) {
            aim.actions.extend(p.needs.iter().cloned());
            if let Some(d) = p.direction {
                let way = if d.is_upward() { Way::Up } else { Way::Down };
                aim.way = Some((way, format!("the {} asks for {}", p.en, moving(d))));
            }
            if let Some(n) = p.nature {
                let word = if n == Lean::Hot { "warmth" } else { "cooling" };
                aim.side = Some((n, format!("the {} asks for {word}", p.en)));
            }
        }
        return aim;
    }
    // No formula and no pattern names the aim: what was brought in shows where the change is going, if it agrees.
    let leading: Vec<(SubstanceIx, Way)> =
        added.iter().filter_map(|s| Some((*s, way_of(&m.substance(*s).tendency)?))).collect();
    let up: Vec<String> = leading.iter().filter(|(_, w)| *w == Way::Up).map(|(s, _)| label(m, *s)).collect();
    let down: Vec<String> = leading.iter().filter(|(_, w)| *w == Way::Down).map(|(s, _)| label(m, *s)).collect();
    if up.len() >= 2 && up.len() > 2 * down.len() {
        aim.way = Some((Way::Up, format!("{}, brought in together, lift or move outward", list(&up))));
    } else if down.len() >= 2 && down.len() > 2 * up.len() {
        aim.way = Some((Way::Down, format!("{}, brought in together, lead down or inward", list(&down))));
    }
    aim
}

impl Reasoner<'_> {
    fn en(&self, action: &str) -> String {
        self.m.library().actions.get(action).map_or_else(|| action.to_string(), |a| a.en.clone())
    }

    fn changed(
        &self,
        what: What,
        before: Option<SubstanceIx>,
        after: Option<SubstanceIx>,
        points: Vec<Point>,
    ) -> Changed {
        let fits = points.iter().any(|p| p.speaks == Some(true));
        let against = points.iter().any(|p| p.speaks == Some(false));
        let verdict = match (fits, against) {
            (true, true) => Verdict::Both,
            (true, false) => Verdict::Fits,
            (false, true) => Verdict::Against,
            (false, false) => Verdict::Open,
        };
        Changed {
            what,
            before,
            after,
            grams_before: before.and_then(|s| self.before.grams(s)),
            grams_after: after.and_then(|s| self.after.grams(s)),
            verdict,
            points,
        }
    }

    /// Who of `among` has this action, apart from `not`.
    fn doers(&self, among: &Mix, action: &str, not: SubstanceIx) -> Vec<String> {
        among
            .parts
            .iter()
            .filter(|p| p.substance != not)
            .filter(|p| self.m.substance(p.substance).actions.iter().any(|a| a == action))
            .map(|p| label(self.m, p.substance))
            .collect()
    }

    fn actions_en(&self, s: SubstanceIx, most: usize) -> String {
        let names: Vec<String> = self.m.substance(s).actions.iter().take(most).map(|a| self.en(a)).collect();
        list(&names)
    }

    /// Which of its actions move this way.
    fn moving_actions(&self, s: SubstanceIx, way: Way) -> Vec<String> {
        let library = self.m.library();
        self.m
            .substance(s)
            .actions
            .iter()
            .filter_map(|a| library.actions.get(a))
            .filter(|a| a.direction.is_some_and(|d| d.is_upward() == (way == Way::Up)))
            .map(|a| a.en.clone())
            .collect()
    }

    fn removed(&self, s: SubstanceIx) -> Vec<Point> {
        let m = self.m;
        let record = m.substance(s);
        let mut points = Vec::new();
        let role = self.before.parts.iter().find(|p| p.substance == s).and_then(|p| p.role);
        let place = match (role, self.before.formula) {
            (Some(role), Some(f)) => format!("In {} it is {role}: it can ", formula_label(m, f)),
            _ => "It can ".to_string(),
        };
        points.push(Point { by: "role".into(), speaks: None, text: format!("{place}{}.", self.actions_en(s, 4)) });
        self.way_points(s, true, &self.aim, &mut points);
        self.side_points(s, true, &self.aim, &mut points);
        // What of the aim goes missing with it, and what others still do.
        let mut lost = Vec::new();
        let mut held = Vec::new();
        for action in record.actions.iter().take(4) {
            let doers = self.doers(self.after, action, s);
            if doers.is_empty() {
                if self.aim.actions.contains(action) {
                    lost.push(self.en(action));
                }
            } else {
                held.push(format!("{} ({})", self.en(action), doers.join(", ")));
            }
        }
        if !held.is_empty() {
            points.push(Point {
                by: "cover".into(),
                speaks: None,
                text: format!("Others still do some of its work: {}.", held.join("; ")),
            });
        }
        if !lost.is_empty() {
            points.push(Point {
                by: "cover".into(),
                speaks: Some(false),
                text: format!("Nobody is left to {}, which the aim asks for.", list(&lost)),
            });
        }
        let wanted = record.actions.iter().any(|a| self.aim.actions.contains(a));
        if !wanted && self.after.formula.is_some() {
            points.push(Point {
                by: "action".into(),
                speaks: Some(true),
                text: "None of its actions is among what the changed formula is for.".into(),
            });
        }
        points
    }

    fn added(&self, s: SubstanceIx) -> Vec<Point> {
        let m = self.m;
        let record = m.substance(s);
        let mut points = Vec::new();
        let (mut new, mut more) = (Vec::new(), Vec::new());
        for action in record.actions.iter().take(5) {
            let doers = self.doers(self.before, action, s);
            if doers.is_empty() {
                new.push(self.en(action));
            } else {
                more.push(format!("{} (beside {})", self.en(action), doers.join(", ")));
            }
        }
        if !new.is_empty() {
            points.push(Point {
                by: "action".into(),
                speaks: None,
                text: format!("It brings what the base lacks: to {}.", list(&new)),
            });
        }
        if !more.is_empty() {
            points.push(Point {
                by: "action".into(),
                speaks: None,
                text: format!("It strengthens: {}.", more.join("; ")),
            });
        }
        // For a known target its own aim; else only the base's, for what is added cannot prove itself.
        let aim = if self.after.formula.is_some()
            || !self.aim.patterns.is_empty() && self.aim.patterns != self.base_aim.patterns
        {
            &self.aim
        } else {
            &self.base_aim
        };
        let serves: Vec<String> =
            record.actions.iter().filter(|a| aim.actions.contains(a)).map(|a| self.en(a)).collect();
        if !serves.is_empty() {
            let whose = if self.after.formula.is_some() { "the changed formula" } else { "the base" };
            points.push(Point {
                by: "action".into(),
                speaks: Some(true),
                text: format!("To {} is among what {whose} is for.", list(&serves)),
            });
        }
        self.way_points(s, false, aim, &mut points);
        self.side_points(s, false, aim, &mut points);
        points
    }

    fn way_points(&self, s: SubstanceIx, gone: bool, aim: &Aim, points: &mut Vec<Point>) {
        let record = self.m.substance(s);
        let (Some((aim_way, because)), Some(way)) = (&aim.way, way_of(&record.tendency)) else { return };
        let moves: Vec<String> = record.tendency.iter().map(ToString::to_string).collect();
        let acts = self.moving_actions(s, way);
        let acts = if acts.is_empty() { String::new() } else { format!(", to {}", list(&acts)) };
        let goes = if way == Way::Up { "upward or outward" } else { "downward" };
        let wanted = if *aim_way == Way::Up { "lift or move outward" } else { "lead down" };
        let helpers: Vec<String> = self
            .added
            .iter()
            .filter(|a| **a != s && way_of(&self.m.substance(**a).tendency) == Some(*aim_way))
            .map(|a| label(self.m, *a))
            .collect();
        if way != *aim_way {
            let beside = if helpers.is_empty() || !gone {
                String::new()
            } else {
                format!("; {} are brought in to {wanted}", list(&helpers))
            };
            let text = if gone {
                format!(
                    "It moves {goes} ({}{acts}), where the aim is to {wanted}: {because}{beside}.",
                    moves.join(" and ")
                )
            } else {
                format!("It moves {goes} ({}{acts}), against the aim to {wanted}: {because}.", moves.join(" and "))
            };
            points.push(Point { by: "tendency".into(), speaks: Some(gone), text });
        } else if !gone {
            points.push(Point {
                by: "tendency".into(),
                speaks: Some(true),
                text: format!("It moves {goes} ({}{acts}), as the aim asks: {because}.", moves.join(" and ")),
            });
        }
    }

    fn side_points(&self, s: SubstanceIx, gone: bool, aim: &Aim, points: &mut Vec<Point>) {
        let record = self.m.substance(s);
        let (Some((side, because)), Some(own)) = (&aim.side, side_of(self.m, s)) else { return };
        if own != *side {
            let balances = self.removed.len() + self.added.len() > 1 && !gone;
            let tail = if balances { "; as a small part it may be there to balance" } else { "" };
            points.push(Point {
                by: "nature".into(),
                speaks: Some(gone),
                text: format!("It is {}, against the aim: {because}{tail}.", record.nature),
            });
        } else if !gone {
            points.push(Point {
                by: "nature".into(),
                speaks: Some(true),
                text: format!("It is {}, as the aim asks: {because}.", record.nature),
            });
        }
    }

    fn redosed(&self, s: SubstanceIx, before: Option<Rational>, after: Option<Rational>) -> Vec<Point> {
        let mut points = Vec::new();
        let (Some(a), Some(b)) = (before, after) else { return points };
        let record = self.m.substance(s);
        let ratio = b.over(a).map_or(String::new(), |r| format!(", {} times", r.decimal(2)));
        let more = b > a;
        let word = if more { "More" } else { "Less" };
        points.push(Point {
            by: "dose".into(),
            speaks: None,
            text: format!(
                "{word} of it ({} g for {} g{ratio}): its work to {} weighs {}.",
                b.decimal(2),
                a.decimal(2),
                self.actions_en(s, 3),
                if more { "more" } else { "less" }
            ),
        });
        let serves: Vec<String> =
            record.actions.iter().filter(|x| self.aim.actions.contains(x)).map(|x| self.en(x)).collect();
        if more && !serves.is_empty() {
            points.push(Point {
                by: "action".into(),
                speaks: Some(true),
                text: format!("To {} is among what it is for.", list(&serves)),
            });
        }
        if let Some(range) = record.dose.usual()
            && !range.holds(b)
        {
            // A step back towards the usual range does not speak against the change.
            let out_of = |x: Rational| if x > range.most { x.minus(range.most) } else { range.least.minus(x) };
            points.push(Point {
                by: "dose".into(),
                speaks: if range.holds(a) || out_of(b) > out_of(a) { Some(false) } else { None },
                text: format!("{} g is outside its usual {range} a day.", b.decimal(2)),
            });
        }
        points
    }

    fn exchanged(&self, a: SubstanceIx, b: SubstanceIx, what: What) -> Vec<Point> {
        let (ra, rb) = (self.m.substance(a), self.m.substance(b));
        let mut points = Vec::new();
        let set = |x: &[String]| x.iter().cloned().collect::<BTreeSet<_>>();
        let (sa, sb) = (set(&ra.actions), set(&rb.actions));
        let gained: Vec<String> = rb.actions.iter().filter(|x| !sa.contains(*x)).map(|x| self.en(x)).collect();
        let lost: Vec<String> = ra.actions.iter().filter(|x| !sb.contains(*x)).map(|x| self.en(x)).collect();
        let kept: Vec<String> = ra.actions.iter().filter(|x| sb.contains(*x)).map(|x| self.en(x)).collect();
        let kind = if what == What::OtherForm {
            "another form of the same substance"
        } else {
            "practice puts one in the place of the other"
        };
        let keeps = if kept.is_empty() {
            "they share no action in the data".to_string()
        } else {
            format!("both can {}", list(&kept))
        };
        points.push(Point {
            by: "action".into(),
            speaks: None,
            text: format!("{} for {}: {kind}; {keeps}.", label(self.m, b), label(self.m, a)),
        });
        if !gained.is_empty() {
            points.push(Point {
                by: "action".into(),
                speaks: None,
                text: format!("What comes with it: to {}.", list(&gained)),
            });
        }
        if !lost.is_empty() {
            points.push(Point {
                by: "action".into(),
                speaks: None,
                text: format!("What goes with the other: to {}.", list(&lost)),
            });
        }
        if ra.nature != rb.nature {
            points.push(Point {
                by: "nature".into(),
                speaks: None,
                text: format!("It is {}, the other {}.", rb.nature, ra.nature),
            });
        }
        let gains_aim = rb.actions.iter().any(|x| !sa.contains(x) && self.aim.actions.contains(x));
        let loses_aim = ra.actions.iter().any(|x| !sb.contains(x) && self.aim.actions.contains(x));
        if gains_aim {
            points.push(Point {
                by: "action".into(),
                speaks: Some(true),
                text: "What it brings is among what the prescription is for.".into(),
            });
        }
        if loses_aim {
            points.push(Point {
                by: "action".into(),
                speaks: Some(false),
                text: "What goes is among what the prescription is for.".into(),
            });
        }
        points
    }
}
