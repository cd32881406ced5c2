//! For each rule of the data a smallest prescription that fires it and the nearest that does not, made from the data;
//! and each rule switched off in turn, which one of these has to notice.
//!
//! Which substances a rule speaks of is worked out here once more, record by record, without the compiled rulebook.

use std::collections::{BTreeMap, BTreeSet};

use fangwright_amount::Rational;
use fangwright_materia::records::{
    ChildMethod, Content, Doubled, Form, Gap, Measure, Pot, Rule, Selector, Severity, Substance, Test,
};
use fangwright_materia::{Materia, SubstanceIx};
use fangwright_safety::{Case, Exact, Facts, Patient, Portion, Rulebook, Scratch, Unread};

/// A prescription and a patient.
#[derive(Clone, Default)]
struct Try {
    items: Vec<(SubstanceIx, Option<Rational>, Vec<Pot>)>,
    unread: Vec<Unread>,
    form: Option<Form>,
    ratio: Option<Rational>,
    days: Option<u32>,
    patient: Patient,
}

impl Try {
    fn of(list: &[SubstanceIx]) -> Try {
        Try { items: list.iter().map(|s| (*s, Some(Rational::ONE), Vec::new())).collect(), ..Try::default() }
    }

    fn grams(mut self, at: usize, grams: Rational) -> Try {
        self.items[at].1 = Some(grams);
        self
    }

    fn case(&self) -> Case {
        let portions = (0..).zip(&self.items).map(|(i, (s, g, pots))| Portion::new(*s, *g, pots, i)).collect();
        Case {
            portions,
            unread: self.unread.clone(),
            form: self.form,
            ratio: self.ratio,
            days: self.days,
            written: Vec::new(),
        }
    }

    fn fires(&self, m: &Materia, book: &Rulebook, rule: &str) -> bool {
        let facts = Facts::new(book, &self.patient).expect("the patient is well-formed");
        let mut scratch = Scratch::default();
        let hits = book.scan(m, &self.case(), &facts, &mut scratch);
        hits.iter().any(|h| book.rules()[h.rule()].id == rule)
    }
}

/// The substance and everything it is made from.
fn line_of_descent<'a>(m: &'a Materia, s: &'a Substance) -> Vec<&'a Substance> {
    let mut line = vec![s];
    while let Some(parent) = line[line.len() - 1].parent.as_ref().and_then(|p| m.substance_by_id(p)) {
        line.push(m.substance(parent));
    }
    line
}

fn speaks_of(m: &Materia, sel: &Selector, s: &Substance) -> bool {
    let named = sel.all
        || sel.only.contains(&s.id)
        || line_of_descent(m, s).iter().any(|x| sel.substances.contains(&x.id))
        || sel.families.contains(&s.family)
        || s.species.iter().any(|sp| sel.genera.iter().any(|g| sp.split(' ').next() == Some(g)))
        || sel.categories.contains(&s.category)
        || s.actions.iter().any(|a| sel.actions.contains(a))
        || sel.toxicity.contains(&s.toxicity)
        || sel.pregnancy.contains(&s.pregnancy)
        || sel.kinds.contains(&s.kind);
    named && !sel.except.contains(&s.id)
}

fn members(m: &Materia, sel: &Selector) -> Vec<SubstanceIx> {
    m.substances().filter(|(_, s)| speaks_of(m, sel, s)).map(|(ix, _)| ix).collect()
}

/// What is most like `s` and not one of `not`: of one root, else one family, else one shelf, else any.
fn neighbour(m: &Materia, s: SubstanceIx, not: &BTreeSet<SubstanceIx>) -> Option<SubstanceIx> {
    let me = m.substance(s);
    let near = |x: SubstanceIx| {
        let other = m.substance(x);
        if m.raw_form(x) == m.raw_form(s) {
            0
        } else if other.family == me.family {
            1
        } else if other.category == me.category {
            2
        } else {
            3
        }
    };
    m.substances().map(|(ix, _)| ix).filter(|ix| *ix != s && !not.contains(ix)).min_by_key(|ix| (near(*ix), ix.0))
}

fn form_of(rule: &Rule) -> Option<Form> {
    rule.taken.first().copied().or((rule.outside && !rule.taken.is_empty()).then_some(Form::External))
}

/// A form in which the rule does not hold, if there is one.
fn other_form(rule: &Rule) -> Option<Form> {
    Form::ALL.iter().copied().find(|f| match f {
        Form::External => !rule.outside,
        f => !rule.taken.is_empty() && !rule.taken.contains(f),
    })
}

fn tiny() -> Rational {
    Rational::new(1, 1_000_000_000).expect("not over zero")
}

fn top(m: &Materia, s: SubstanceIx) -> Option<Rational> {
    Some(m.substance(s).dose.usual()?.most)
}

/// What bears a constituent: the lines of the rule, and processed forms without a line where the line says so.
fn bearers(m: &Materia, contents: &[Content]) -> Vec<(SubstanceIx, Content)> {
    let own = |id: &str| contents.iter().find(|c| c.substance == id);
    m.substances()
        .filter_map(|(ix, s)| {
            let content = own(&s.id).or_else(|| {
                // The nearest ancestor that has a line decides.
                let elder = line_of_descent(m, s).into_iter().skip(1).find_map(|x| own(&x.id))?;
                elder.forms.then_some(elder)
            })?;
            Some((ix, content.clone()))
        })
        .collect()
}

/// Prescriptions that must fire the rule, and ones near to them that must not.
fn tries(m: &Materia, book: &Rulebook, rule: &Rule) -> (Vec<Try>, Vec<Try>) {
    let set: BTreeSet<SubstanceIx> = members(m, &rule.selector).into_iter().collect();
    let (mut yes, mut no) = (Vec::new(), Vec::new());
    let form = form_of(rule);
    let shaped = |t: Try| Try { form, ..t };
    let safety = &m.library().safety;
    match &rule.test {
        Test::Pair { with, with_only, .. } => {
            let right = Selector { substances: with.clone(), only: with_only.clone(), ..Selector::default() };
            let right: BTreeSet<SubstanceIx> = members(m, &right).into_iter().collect();
            for a in &set {
                for b in right.iter().filter(|b| *b != a) {
                    yes.push(shaped(Try::of(&[*a, *b])));
                }
            }
            let both: BTreeSet<SubstanceIx> = set.union(&right).copied().collect();
            if let (Some(a), Some(b)) = (set.first(), right.last()) {
                no.push(shaped(Try::of(&[*a])));
                no.extend(neighbour(m, *b, &both).map(|n| shaped(Try::of(&[*a, n]))));
                no.extend(neighbour(m, *a, &both).map(|n| shaped(Try::of(&[n, *b]))));
            }
        }
        Test::Present => {
            for s in &set {
                yes.push(shaped(Try::of(&[*s])));
            }
            if let Some(s) = set.first() {
                no.extend(neighbour(m, *s, &set).map(|n| shaped(Try::of(&[n]))));
                no.extend(other_form(rule).map(|f| Try { form: Some(f), ..Try::of(&[*s]) }));
            }
        }
        Test::Patient { when, above } => {
            let known = |c: &str| Patient { also: vec![c.into()], ..Patient::default() };
            for s in &set {
                for c in when {
                    let t = Try { patient: known(c), ..shaped(Try::of(&[*s])) };
                    match above {
                        None => yes.push(t),
                        Some(a) => {
                            yes.push(t.clone().grams(0, a.plus(tiny()).expect("small")));
                            no.push(t.grams(0, *a));
                        }
                    }
                }
            }
            if let Some(s) = set.first() {
                let heavy = Rational::from(1000);
                let none = Patient { conditions: Some(Vec::new()), ..Patient::default() };
                no.push(Try { patient: none, ..shaped(Try::of(&[*s])) }.grams(0, heavy));
                let next = neighbour(m, *s, &set).map(|n| Try { patient: known(&when[0]), ..shaped(Try::of(&[n])) });
                no.extend(next.map(|t| t.grams(0, heavy)));
                // A condition that does not bring this one with it.
                let leads = |c: &str| {
                    let mut open = vec![c.to_string()];
                    let mut seen = BTreeSet::new();
                    while let Some(c) = open.pop() {
                        if seen.insert(c.clone()) {
                            open.extend(safety.conditions[&c].implies.clone());
                        }
                    }
                    when.iter().any(|w| seen.contains(w))
                };
                let other = safety.conditions.keys().find(|c| !leads(c));
                no.extend(other.map(|c| Try { patient: known(c), ..shaped(Try::of(&[*s])) }.grams(0, heavy)));
            }
        }
        Test::Medicine { medicines, above } => {
            let taking = |x: &str| Patient { medicines: Some(vec![x.into()]), ..Patient::default() };
            for s in &set {
                for x in medicines {
                    let t = Try { patient: taking(x), ..shaped(Try::of(&[*s])) };
                    match above {
                        None => yes.push(t),
                        Some(a) => {
                            yes.push(t.clone().grams(0, a.plus(tiny()).expect("small")));
                            no.push(t.grams(0, *a));
                        }
                    }
                }
            }
            // Every medicine of a class, and none of another.
            let within = |x: &str| {
                let mut open: Vec<String> =
                    safety.medicines.get(x).map_or_else(|| vec![x.to_string()], |m| m.classes.clone());
                let mut seen: BTreeSet<String> = BTreeSet::from([x.to_string()]);
                while let Some(c) = open.pop() {
                    if seen.insert(c.clone()) {
                        open.extend(safety.classes.get(&c).map(|c| c.within.clone()).unwrap_or_default());
                    } else if let Some(class) = safety.classes.get(&c).filter(|_| c == x) {
                        open.extend(class.within.clone());
                    }
                }
                medicines.iter().any(|w| seen.contains(w))
            };
            if let Some(s) = set.first() {
                let heavy = Rational::from(1000);
                for x in safety.medicines.keys() {
                    let t = Try { patient: taking(x), ..shaped(Try::of(&[*s])) }.grams(0, heavy);
                    if within(x) { yes.push(t) } else { no.push(t) }
                }
                let none = Patient { medicines: Some(Vec::new()), ..Patient::default() };
                no.push(Try { patient: none, ..shaped(Try::of(&[*s])) }.grams(0, heavy));
                no.extend(
                    neighbour(m, *s, &set)
                        .map(|n| Try { patient: taking(&medicines[0]), ..shaped(Try::of(&[n])) }.grams(0, heavy)),
                );
            }
        }
        Test::Duration { days } => {
            for s in &set {
                yes.push(Try { days: Some(days + 1), ..shaped(Try::of(&[*s])) });
                no.push(Try { days: Some(*days), ..shaped(Try::of(&[*s])) });
            }
            if let Some(n) = set.first().and_then(|s| neighbour(m, *s, &set)) {
                no.push(Try { days: Some(days + 1), ..shaped(Try::of(&[n])) });
            }
        }
        Test::Law { laws } => {
            let under = |l: &str| Patient { laws: vec![l.into()], ..Patient::default() };
            for s in &set {
                yes.extend(laws.iter().map(|l| Try { patient: under(l), ..shaped(Try::of(&[*s])) }));
            }
            let always = laws.iter().any(|l| safety.jurisdictions[l].always);
            if let Some(s) = set.first() {
                let other = safety.jurisdictions.keys().find(|l| !laws.contains(l) && !always);
                no.extend(other.map(|l| Try { patient: under(l), ..shaped(Try::of(&[*s])) }));
                let next = neighbour(m, *s, &set);
                no.extend(next.map(|n| Try { patient: under(&laws[0]), ..shaped(Try::of(&[n])) }));
            }
        }
        Test::Total { limit, contents, extracted, when, days, .. } => {
            let patient = Patient { also: when.first().cloned().into_iter().collect(), ..Patient::default() };
            let long = days.map(|d| d + 1);
            let boiled = form.is_none_or(|f| matches!(f, Form::Decoction | Form::Draft | Form::Paste | Form::Granules));
            let by = extracted.filter(|_| boiled).unwrap_or((Rational::from(100), Rational::from(100)));
            let part = |percent: Rational, by: Rational| percent.times(by)?.over(Rational::from(10_000));
            let all: BTreeSet<SubstanceIx> = bearers(m, contents).iter().map(|b| b.0).collect();
            for (s, content) in bearers(m, contents) {
                let (least, most) = (part(content.least, by.0), part(content.most, by.1));
                let (Some(least), Some(most)) = (least, most) else { continue };
                let t = Try { patient: patient.clone(), days: long, ..shaped(Try::of(&[s])) };
                let middle = least.plus(most).and_then(|b| b.over(Rational::from(2))).expect("small");
                let edge = |part: Rational| limit.over(part).expect("a content is above zero");
                if middle.is_positive() {
                    yes.push(t.clone().grams(0, edge(middle).plus(tiny()).expect("small")));
                    if limit.is_positive() {
                        no.push(t.clone().grams(0, edge(most)));
                    }
                    no.extend(days.map(|d| {
                        Try { days: Some(d), ..t.clone() }.grams(0, edge(middle).plus(tiny()).expect("small"))
                    }));
                    if !when.is_empty() {
                        let nobody = Try { patient: Patient::default(), ..t.clone() };
                        no.push(nobody.grams(0, Rational::from(1000)));
                    }
                    // Half from this one and half from another: only the sum is above the limit.
                    let other = bearers(m, contents).into_iter().find(|(o, _)| *o != s);
                    if let Some((o, c)) = other
                        && let (Some(a), Some(b)) = (part(c.least, by.0), part(c.most, by.1))
                        && let Some(other_middle) = a.plus(b).and_then(|x| x.over(Rational::from(2)))
                        && other_middle.is_positive()
                        && limit.is_positive()
                    {
                        let half = |part: Rational| {
                            let half = limit.over(part).and_then(|x| x.over(Rational::from(2))).expect("small");
                            half.plus(tiny()).expect("small")
                        };
                        let both = Try { patient: patient.clone(), days: long, ..shaped(Try::of(&[s, o])) };
                        yes.push(both.grams(0, half(middle)).grams(1, half(other_middle)));
                    }
                }
            }
            if let Some(s) = all.first() {
                let t = neighbour(m, *s, &all).map(|n| Try { patient, days: long, ..shaped(Try::of(&[n])) });
                no.extend(t.map(|t| t.grams(0, Rational::from(1000))));
            }
        }
        Test::Pot { pot } => {
            // A graver rule for the same handling takes the place of this one.
            let graver = |s: &Substance| {
                m.library().safety.rules.iter().any(|r| {
                    matches!(&r.test, Test::Pot { pot: p } if p == pot)
                        && r.severity < rule.severity
                        && speaks_of(m, &r.selector, s)
                })
            };
            let form = if *pot == Pot::ExternalOnly { Form::Pill } else { Form::Decoction };
            for s in &set {
                let record = m.substance(*s);
                if !record.pot.contains(pot) {
                    continue;
                }
                let mut t = Try { form: Some(form), ..Try::of(&[*s]) };
                if !graver(record) {
                    yes.push(t.clone());
                }
                t.items[0].2 = vec![*pot];
                no.push(t);
                let away = if *pot == Pot::ExternalOnly { Form::External } else { Form::Pill };
                no.push(Try { form: Some(away), ..Try::of(&[*s]) });
            }
        }
        Test::Dose { over } => {
            for s in &set {
                let Some(mark) = top(m, *s).and_then(|t| t.times(*over)) else { continue };
                // Up to where a graver rule, or one as grave with a higher mark, takes over.
                let next = m.library().safety.rules.iter().filter_map(|r| {
                    let Test::Dose { over: o } = &r.test else { return None };
                    let takes_over = r.severity < rule.severity || r.severity == rule.severity && o > over;
                    (takes_over && speaks_of(m, &r.selector, m.substance(*s))).then(|| top(m, *s)?.times(*o))?
                });
                let grams = mark.plus(tiny()).expect("small");
                if next.min().is_none_or(|n| grams <= n) {
                    yes.push(Try::of(&[*s]).grams(0, grams));
                }
                no.push(Try::of(&[*s]).grams(0, mark));
            }
        }
        Test::Child { method } => {
            let boy = Patient {
                age: Some("6".into()),
                weight_kg: Some(Exact(Rational::from(20))),
                height_cm: Some(Exact(Rational::from(115))),
                child_rule: Some(method.word().into()),
                ..Patient::default()
            };
            let grown = Patient { age: Some("40".into()), ..boy.clone() };
            let share = share(*method);
            for (s, _) in m.substances() {
                let Some(most) = top(m, s) else { continue };
                let mark = most.times(share).expect("small");
                let t = Try { patient: boy.clone(), ..Try::of(&[s]) };
                yes.push(t.clone().grams(0, mark.plus(tiny()).expect("small")));
                no.push(t.grams(0, mark));
                no.push(Try { patient: grown.clone(), ..Try::of(&[s]) }.grams(0, most));
            }
        }
        Test::Double { what } => {
            for (s, record) in m.substances() {
                match what {
                    Doubled::Substance => {
                        yes.push(Try::of(&[s, s]));
                        no.push(Try::of(&[s]));
                    }
                    Doubled::Form => {
                        for form in m.processed_forms(s) {
                            yes.push(Try::of(&[s, *form]));
                            no.push(Try::of(&[*form]));
                        }
                    }
                    Doubled::Species => {
                        let words = |x: &Substance| -> BTreeSet<String> {
                            let two = |sp: &String| {
                                let mut w = sp.split_whitespace();
                                let (a, b) = (w.next()?, w.next()?);
                                b.starts_with(|c: char| c.is_lowercase()).then(|| format!("{a} {b}"))
                            };
                            x.species.iter().filter_map(two).collect()
                        };
                        let mine = words(record);
                        for (o, other) in m.substances().filter(|(o, _)| o.0 > s.0) {
                            if m.raw_form(o) == m.raw_form(s) {
                                no.push(Try::of(&[s, o]));
                            } else if mine.iter().any(|x| words(other).contains(x)) {
                                yes.push(Try::of(&[s, o]));
                            } else if o.0 % 97 == 0 {
                                no.push(Try::of(&[s, o]));
                            }
                        }
                    }
                }
            }
        }
        Test::Whole { measure, over } => whole(m, *measure, *over, &mut yes, &mut no),
        Test::Unchecked { what } => gaps(m, book, *what, &mut yes, &mut no),
    }
    (yes, no)
}

/// The share of a child of six years, 20 kg and 115 cm, reckoned here by hand.
fn share(method: ChildMethod) -> Rational {
    let r = |a, b| Rational::new(a, b).expect("not over zero");
    match method {
        // The root of 115 × 20 / 3600 is 0.79930…; of 1.73.
        ChildMethod::Surface => r(799, 1730),
        ChildMethod::Clark => r(20 * 10_000_000, 680_388_555),
        ChildMethod::Young => r(6, 18),
        ChildMethod::Ages => r(2, 3),
    }
}

fn whole(m: &Materia, measure: Measure, over: Rational, yes: &mut Vec<Try>, no: &mut Vec<Try>) {
    let some: Vec<SubstanceIx> = m.substances().map(|(ix, _)| ix).collect();
    let by_id = |id: &str| m.substance_by_id(id).unwrap_or_else(|| panic!("{id} is missing"));
    let for_pattern = |list: &[&str], pattern: &str| {
        let list: Vec<SubstanceIx> = list.iter().map(|id| by_id(id)).collect();
        Try { patient: Patient { patterns: vec![pattern.into()], ..Patient::default() }, ..Try::of(&list) }
    };
    match measure {
        Measure::Ingredients => {
            let n = over.floor() as usize;
            yes.push(Try::of(&some[..=n]));
            no.push(Try::of(&some[..n]));
        }
        Measure::Weight => {
            let t = Try::of(&some[..2]).grams(0, over.minus(Rational::ONE).expect("small"));
            no.push(t.clone());
            yes.push(
                t.grams(1, Rational::ONE.plus(tiny().times(Rational::from(1000)).expect("small")).expect("small")),
            );
        }
        Measure::Nature => {
            yes.push(for_pattern(&["fu-zi", "gan-jiang", "rou-gui"], "yang-brightness-channel"));
            no.push(for_pattern(&["shi-gao", "zhi-mu"], "yang-brightness-channel"));
            yes.push(for_pattern(&["shi-gao", "zhi-mu"], "greater-yang-cold"));
            no.push(for_pattern(&["ma-huang", "gui-zhi"], "greater-yang-cold"));
        }
        Measure::Direction => {
            yes.push(for_pattern(&["da-huang", "mang-xiao", "niu-xi"], "greater-yang-cold"));
            no.push(for_pattern(&["ma-huang", "gui-zhi"], "greater-yang-cold"));
            no.push(for_pattern(&["da-huang", "mang-xiao"], "yang-brightness-bowel"));
        }
    }
}

fn gaps(m: &Materia, book: &Rulebook, what: Gap, yes: &mut Vec<Try>, no: &mut Vec<Try>) {
    let by_id = |id: &str| m.substance_by_id(id).unwrap_or_else(|| panic!("{id} is missing"));
    let liquorice = by_id("gan-cao");
    let all_said = Patient {
        age: Some("40".into()),
        sex: Some("male".into()),
        conditions: Some(Vec::new()),
        medicines: Some(Vec::new()),
        allergies: Some(Vec::new()),
        diets: Some(Vec::new()),
        no_surgery: true,
        g6pd_deficient: Some(false),
        laws: vec!["us".into()],
        ..Patient::default()
    };
    let plain = Try { patient: all_said.clone(), days: Some(1), ..Try::of(&[liquorice]) };
    no.push(plain.clone());
    let _ = book;
    let with = |patient: Patient| Try { patient, ..plain.clone() };
    let unread = |several: Vec<SubstanceIx>| Unread { written: "x".into(), several, nearest: None, line: 1 };
    match what {
        Gap::Name => yes.push(Try { unread: vec![unread(Vec::new())], ..plain }),
        Gap::Several => yes.push(Try { unread: vec![unread(vec![liquorice])], ..plain }),
        Gap::Weight => {
            let mut t = plain;
            t.items[0].1 = None;
            yes.push(t);
        }
        Gap::Range => {
            let none = m.substances().find(|(_, s)| s.dose.usual().is_none()).expect("some have no inner dose");
            yes.push(Try { items: vec![(none.0, Some(Rational::ONE), Vec::new())], ..plain });
        }
        Gap::Ratio => {
            let granules = Try { form: Some(Form::Granules), ..plain };
            yes.push(granules.clone());
            no.push(Try { ratio: Some(Rational::from(5)), ..granules });
        }
        Gap::Medicine => yes.push(with(Patient { medicines: Some(vec!["warfrin".into()]), ..all_said })),
        Gap::Condition => {
            yes.push(with(Patient { also: vec!["purple ear".into()], ..all_said.clone() }));
            yes.push(with(Patient { patterns: vec!["no-such-pattern".into()], ..all_said }));
        }
        Gap::Patient => {
            yes.push(with(Patient { conditions: None, ..all_said.clone() }));
            yes.push(with(Patient { medicines: None, ..all_said.clone() }));
            yes.push(Try {
                items: vec![(by_id("hong-hua"), Some(Rational::ONE), Vec::new())],
                ..with(Patient { sex: Some("female".into()), ..all_said })
            });
        }
        Gap::Law => {
            let ephedra = Try { items: vec![(by_id("ma-huang"), Some(Rational::ONE), Vec::new())], ..plain };
            yes.push(Try { patient: Patient { laws: Vec::new(), ..all_said.clone() }, ..ephedra.clone() });
            yes.push(Try { patient: Patient { laws: vec!["atlantis".into()], ..all_said }, ..ephedra.clone() });
            no.push(ephedra);
        }
        Gap::Length => {
            let limited = m.library().safety.rules.iter().find_map(|r| {
                let graver =
                    matches!(r.test, Test::Duration { .. }) && r.severity < Severity::Note && r.taken.is_empty();
                graver.then(|| members(m, &r.selector).first().copied())?
            });
            let limited = limited.expect("some have a limit of use");
            let t = Try { items: vec![(limited, Some(Rational::ONE), Vec::new())], ..plain };
            no.push(t.clone());
            yes.push(Try { days: None, ..t });
        }
        Gap::Large => {
            let huge = Rational::new(i128::MAX, 3).expect("not over zero");
            let other = by_id("zhi-gan-cao");
            let items = vec![(liquorice, Some(huge), Vec::new()), (other, Some(huge), Vec::new())];
            yes.push(Try { items, ..plain });
        }
        Gap::Outside => {
            yes.push(Try { form: Some(Form::External), ..plain });
        }
    }
}

#[test]
fn each_rule_fires_where_it_must_and_only_there() {
    let m = Materia::embedded();
    let book = Rulebook::new(&m);
    let mut wrong = Vec::new();
    let (mut fired, mut quiet) = (0, 0);
    for rule in book.rules() {
        let (yes, no) = tries(&m, &book, rule);
        if yes.is_empty() {
            wrong.push(format!("{}: nothing can fire it", rule.id));
        }
        if no.is_empty() {
            wrong.push(format!("{}: there is no case near it that does not fire it", rule.id));
        }
        for t in yes.iter().filter(|t| !t.fires(&m, &book, &rule.id)) {
            wrong.push(format!("{} does not fire on {}", rule.id, shown(&m, t)));
        }
        for t in no.iter().filter(|t| t.fires(&m, &book, &rule.id)) {
            wrong.push(format!("{} fires on {}", rule.id, shown(&m, t)));
        }
        fired += yes.len();
        quiet += no.len();
    }
    println!("{} rules: {fired} cases that fire, {quiet} that do not", book.rules().len());
    let n = wrong.len();
    wrong.truncate(40);
    assert!(n == 0, "{n} wrong:\n{}", wrong.join("\n"));
}

fn shown(m: &Materia, t: &Try) -> String {
    let items: Vec<String> = t.items.iter().map(|(s, g, p)| format!("{} {g:?} {p:?}", m.substance(*s).id)).collect();
    format!("{} form {:?} days {:?} {:?}", items.join(", "), t.form, t.days, t.patient)
}

#[test]
fn a_rule_switched_off_is_missed() {
    let m = Materia::embedded();
    let book = Rulebook::new(&m);
    let noticed = |rule: &Rule| {
        let (yes, _) = tries(&m, &book, rule);
        let without = Rulebook::of(&m, |r| r.id != rule.id);
        assert_eq!(without.rules().len() + 1, book.rules().len());
        yes.first().is_some_and(|t| t.fires(&m, &book, &rule.id) && !t.fires(&m, &without, &rule.id))
    };
    let cores = std::thread::available_parallelism().map_or(1, usize::from);
    let unnoticed: Vec<String> = std::thread::scope(|scope| {
        let parts: Vec<_> = book
            .rules()
            .chunks(book.rules().len().div_ceil(cores))
            .map(|part| {
                let noticed = &noticed;
                scope.spawn(move || part.iter().filter(|r| !noticed(r)).map(|r| r.id.clone()).collect::<Vec<_>>())
            })
            .collect();
        parts.into_iter().flat_map(|p| p.join().expect("no check panics")).collect()
    });
    assert!(unnoticed.is_empty(), "nothing notices that these are gone: {unnoticed:?}");
}

#[test]
fn every_rule_can_be_explained_and_has_a_source() {
    let m = Materia::embedded();
    let library = m.library();
    let mut evidence = BTreeMap::new();
    for rule in &library.safety.rules {
        assert!(rule.title.len() > 5 && rule.reason.len() > 10 && rule.action.len() > 5, "{}", rule.id);
        assert!(!rule.provenance.is_empty(), "{}", rule.id);
        for p in &rule.provenance {
            assert!(library.sources.contains_key(&p.source), "{}: {}", rule.id, p.source);
        }
        *evidence.entry(rule.evidence).or_insert(0) += 1;
        assert_eq!(rule.severity == Severity::NotChecked, matches!(rule.test, Test::Unchecked { .. }), "{}", rule.id);
    }
    println!("{evidence:?}");
    let interactions = library.safety.rules.iter().filter(|r| matches!(r.test, Test::Medicine { .. })).count();
    assert!(interactions >= 150, "{interactions} interactions with medicines");
}
