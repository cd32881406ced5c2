//! The rules of the data, made ready: which substance meets which rule is settled once, before any prescription.

use fangwright_amount::{Range, Rational};
use fangwright_materia::records::{
    ChildMethod, Content, Dose, Doubled, Form, Gap, Measure, Pot, Rule, SafetyData, Selector, Severity, Substance, Test,
};
use fangwright_materia::{Materia, SubstanceIx};
use rustc_hash::{FxHashMap, FxHashSet};

use crate::words::Words;

/// Number of a rule in its [`Rulebook`].
pub(crate) type RuleIx = u16;

/// A set of small numbers.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub(crate) struct Bits(pub(crate) Vec<u64>);

impl Bits {
    pub(crate) fn sized(n: usize) -> Bits {
        Bits(vec![0; n.div_ceil(64)])
    }

    pub(crate) fn set(&mut self, i: usize) {
        self.0[i / 64] |= 1 << (i % 64);
    }

    pub(crate) fn has(&self, i: usize) -> bool {
        self.0[i / 64] >> (i % 64) & 1 == 1
    }

    pub(crate) fn clear(&mut self) {
        self.0.fill(0);
    }

    pub(crate) fn join(&mut self, other: &Bits) {
        for (a, b) in self.0.iter_mut().zip(&other.0) {
            *a |= b;
        }
    }

    pub(crate) fn ones(&self) -> impl Iterator<Item = usize> + '_ {
        self.0.iter().enumerate().flat_map(|(at, word)| {
            let mut word = *word;
            std::iter::from_fn(move || {
                let bit = word.trailing_zeros();
                word = word.checked_sub(1).map_or(0, |less| word & less);
                (bit < 64).then_some(at * 64 + bit as usize)
            })
        })
    }
}

/// A weight that something must not pass, with the whole micrograms below it: most comparisons end there.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Mark {
    pub(crate) micrograms: i64,
    pub(crate) grams: Rational,
}

/// Whole micrograms in a weight, rounded down; as much as fits.
pub(crate) fn micrograms(grams: Rational) -> i64 {
    if let (Ok(n), Ok(d)) = (i64::try_from(grams.numerator()), i64::try_from(grams.denominator()))
        && let Some(scaled) = n.checked_mul(1_000_000)
    {
        return scaled.div_euclid(d);
    }
    let scaled = grams.times(Rational::from(1_000_000)).map(Rational::floor);
    scaled.and_then(|s| i64::try_from(s).ok()).unwrap_or(if grams.is_positive() { i64::MAX } else { i64::MIN + 1 })
}

impl Mark {
    pub(crate) fn new(grams: Rational) -> Mark {
        Mark { micrograms: micrograms(grams), grams }
    }

    /// Whether a weight, with its whole micrograms, is above this. Exact.
    pub(crate) fn passed_by(&self, micrograms: i64, grams: Rational) -> bool {
        micrograms > self.micrograms || micrograms == self.micrograms && grams > self.grams
    }
}

/// By which range a dose is judged.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Taken {
    Boiled,
    Powder,
    Pill,
    Outside,
}

impl Taken {
    pub(crate) const INSIDE: [Taken; 3] = [Taken::Boiled, Taken::Powder, Taken::Pill];

    pub(crate) fn of(form: Form) -> Taken {
        match form {
            Form::Decoction | Form::Draft | Form::Paste | Form::Wine | Form::Granules => Taken::Boiled,
            Form::Powder => Taken::Powder,
            Form::Pill => Taken::Pill,
            Form::External => Taken::Outside,
        }
    }

    /// The range of a record for it. Where the record has none for this form, the usual one stands in.
    pub(crate) fn range(self, dose: &Dose) -> Option<Range> {
        match self {
            Taken::Boiled => dose.decoction.or(dose.usual()),
            Taken::Powder => dose.swallowed(Form::Powder).or(dose.decoction),
            Taken::Pill => dose.swallowed(Form::Pill).or(dose.decoction),
            Taken::Outside => None,
        }
    }
}

/// One bit for each way of handling.
pub(crate) fn pot_bit(pot: Pot) -> u8 {
    1 << pot as u8
}

/// What of a total one substance brings, and how much of it alone passes the limit.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Share {
    /// Number of the total in `Rulebook::totals`.
    pub(crate) total: u16,
    /// Grams of the constituent in a gram: least and most.
    pub(crate) least: Rational,
    pub(crate) most: Rational,
    /// Grams of the substance that pass the limit at the middle of the range, and at its top; none where it holds none.
    pub(crate) likely: Option<Mark>,
    pub(crate) maybe: Option<Mark>,
    /// Number in the rule's list of contents.
    pub(crate) content: u16,
}

/// A rule on a constituent that adds up.
pub(crate) struct Total {
    pub(crate) rule: RuleIx,
    pub(crate) when: Vec<u16>,
    pub(crate) days: Option<u32>,
    pub(crate) limit: Rational,
    pub(crate) twice: Rational,
}

/// What of a substance every scan looks at, close together; the [`Watch`] only where a flag asks for it.
#[derive(Debug, Clone, Copy, Default)]
pub(crate) struct Glance {
    pub(crate) root: u32,
    /// Handling asked for in the pot.
    pub(crate) pots: u8,
    /// See [`flag`].
    pub(crate) flags: u8,
    /// Whole micrograms in the lowest mark of each form; the greatest number where there is none.
    pub(crate) lowest: [i64; 3],
}

/// What else of a substance has to be looked at.
pub(crate) mod flag {
    pub(crate) const PAIR: u8 = 1;
    pub(crate) const PRESENT: u8 = 2;
    pub(crate) const DURATION: u8 = 4;
    pub(crate) const SHARE: u8 = 8;
    pub(crate) const SPECIES: u8 = 16;
    /// One bit for each form that has a range, from here.
    pub(crate) const RANGE: u8 = 32;
}

/// All that is watched of one substance.
#[derive(Default)]
pub(crate) struct Watch {
    pub(crate) root: u32,
    pub(crate) pairs: Box<[(RuleIx, u8)]>,
    pub(crate) present: Box<[RuleIx]>,
    /// Handling asked for in the pot.
    pub(crate) pots: u8,
    pub(crate) pot_rules: Box<[(u8, RuleIx)]>,
    /// Marks by form, the gravest first.
    pub(crate) doses: [Box<[(Mark, RuleIx)]>; 3],
    pub(crate) ranges: [Option<Range>; 3],
    /// The lowest mark of each form.
    pub(crate) lowest: [Option<Mark>; 3],
    pub(crate) shares: Box<[Share]>,
    /// Shares in a boiled form, where less is extracted.
    pub(crate) boiled_shares: Box<[Share]>,
    pub(crate) durations: Box<[(u32, RuleIx)]>,
    pub(crate) species: Box<[u16]>,
}

/// The rules in force, made ready for checking.
pub struct Rulebook {
    pub(crate) rules: Vec<Rule>,
    pub(crate) watches: Vec<Watch>,
    pub(crate) glances: Vec<Glance>,
    /// Both sides of each pair rule; the first also for other kinds.
    pub(crate) left: Vec<Bits>,
    pub(crate) right: Vec<Bits>,
    /// For each pair rule the raw substances of the formulas that use it on purpose.
    pub(crate) deliberate: Vec<Vec<Vec<u32>>>,
    /// For each substance the conditional rules (patient, medicine, law) that speak of it.
    pub(crate) conditional: Vec<Bits>,
    /// Weight from which a conditional rule holds.
    pub(crate) above: Vec<Option<Mark>>,
    /// Conditional rules that hold in this form.
    pub(crate) in_form: FxHashMap<Form, Bits>,
    pub(crate) by_condition: Vec<Bits>,
    pub(crate) by_class: Vec<Bits>,
    pub(crate) by_medicine: Vec<Bits>,
    pub(crate) by_law: Vec<Bits>,
    pub(crate) law_always: Bits,
    /// Rules graver than a note, for each question and for medicines, law and length of use.
    pub(crate) asks: Vec<(String, Bits)>,
    pub(crate) any_medicine: Bits,
    pub(crate) any_law: Bits,
    pub(crate) long_use: Bits,
    pub(crate) totals: Vec<Total>,
    pub(crate) species_names: Vec<String>,
    pub(crate) gaps: FxHashMap<Gap, RuleIx>,
    pub(crate) doubles: Vec<(Doubled, RuleIx)>,
    pub(crate) wholes: Vec<(Measure, Rational, RuleIx)>,
    pub(crate) children: Vec<(ChildMethod, RuleIx)>,
    pub(crate) words: Words,
    pub(crate) patterns: FxHashSet<String>,
    /// How many rules the clinic switched off.
    pub(crate) off: usize,
}

/// What a list of a [`Selector`] goes by.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
enum By {
    Family,
    Genus,
    Category,
    Action,
    Toxicity,
    Pregnancy,
    Kind,
}

/// The substances under each word that a selector may name: found once, not once a rule.
struct Shelves<'m> {
    m: &'m Materia,
    held: FxHashMap<(By, &'m str), Bits>,
}

impl<'m> Shelves<'m> {
    fn new(m: &'m Materia) -> Shelves<'m> {
        let n = m.library().substances.len();
        let mut held: FxHashMap<(By, &'m str), Bits> = FxHashMap::default();
        for (ix, s) in m.substances() {
            let genera = s.species.iter().filter_map(|sp| Some((By::Genus, sp.split(' ').next()?)));
            let words = [
                (By::Family, s.family.as_str()),
                (By::Category, s.category.as_str()),
                (By::Toxicity, s.toxicity.word()),
                (By::Pregnancy, s.pregnancy.word()),
                (By::Kind, s.kind.word()),
            ];
            for key in words.into_iter().chain(s.actions.iter().map(|a| (By::Action, a.as_str()))).chain(genera) {
                held.entry(key).or_insert_with(|| Bits::sized(n)).set(ix.0 as usize);
            }
        }
        Shelves { m, held }
    }

    fn select(&self, selector: &Selector) -> Bits {
        let n = self.m.library().substances.len();
        let mut set = Bits::sized(n);
        if selector.all {
            (0..n).for_each(|s| set.set(s));
        }
        let lists = [
            (By::Family, &selector.families),
            (By::Genus, &selector.genera),
            (By::Category, &selector.categories),
            (By::Action, &selector.actions),
        ];
        let named = lists.into_iter().flat_map(|(by, list)| list.iter().map(move |word| (by, word.as_str())));
        let graded = selector.toxicity.iter().map(|x| (By::Toxicity, x.word()));
        let graded = graded.chain(selector.pregnancy.iter().map(|x| (By::Pregnancy, x.word())));
        for key in named.chain(graded).chain(selector.kinds.iter().map(|x| (By::Kind, x.word()))) {
            if let Some(held) = self.held.get(&key) {
                set.join(held);
            }
        }
        with_forms(self.m, &selector.substances, &mut set);
        exactly(self.m, &selector.only, &mut set);
        for ix in selector.except.iter().filter_map(|id| self.m.substance_by_id(id)) {
            set.0[ix.0 as usize / 64] &= !(1 << (ix.0 % 64));
        }
        set
    }
}

fn with_forms(m: &Materia, ids: &[String], set: &mut Bits) {
    let mut open: Vec<SubstanceIx> = ids.iter().filter_map(|id| m.substance_by_id(id)).collect();
    // Another list may hold a substance without its forms: what was walked is kept apart from what is held.
    let mut walked: Vec<SubstanceIx> = Vec::new();
    while let Some(ix) = open.pop() {
        if !walked.contains(&ix) {
            walked.push(ix);
            set.set(ix.0 as usize);
            open.extend(m.processed_forms(ix));
        }
    }
}

fn exactly(m: &Materia, ids: &[String], set: &mut Bits) {
    for ix in ids.iter().filter_map(|id| m.substance_by_id(id)) {
        set.set(ix.0 as usize);
    }
}

/// The processed forms of a content's substance that have no line of their own, with it.
fn content_members(m: &Materia, content: &Content, all: &[Content]) -> Vec<SubstanceIx> {
    let Some(ix) = m.substance_by_id(&content.substance) else { return Vec::new() };
    let mut members = vec![ix];
    if content.forms {
        let mut open: Vec<SubstanceIx> = m.processed_forms(ix).to_vec();
        while let Some(form) = open.pop() {
            let id = &m.substance(form).id;
            if !all.iter().any(|c| c.substance == *id) {
                members.push(form);
                open.extend(m.processed_forms(form));
            }
        }
    }
    members
}

impl Rulebook {
    /// All rules of the data that are not switched off.
    pub fn new(m: &Materia) -> Rulebook {
        Rulebook::of(m, |_| true)
    }

    /// Those of the rules that are wanted.
    pub fn of(m: &Materia, wanted: impl Fn(&Rule) -> bool) -> Rulebook {
        let data: &SafetyData = &m.library().safety;
        let off = data.rules.iter().filter(|r| r.off).count();
        let rules: Vec<Rule> = data.rules.iter().filter(|r| !r.off && wanted(r)).cloned().collect();
        let n = m.library().substances.len();
        let mut roots = vec![0; n];
        for (ix, _) in m.substances() {
            roots[ix.0 as usize] = m.raw_form(ix).0;
        }
        let shelves = Shelves::new(m);
        let left: Vec<Bits> = rules.iter().map(|r| shelves.select(&r.selector)).collect();
        let mut right = vec![Bits::default(); rules.len()];
        let mut conditional = vec![Bits::sized(rules.len()); n];
        let mut above = vec![None; rules.len()];
        let mut purposes = vec![Vec::new(); rules.len()];
        let mut drafts: Vec<Draft> = (0..n).map(|_| Draft::default()).collect();
        let words = Words::new(data);
        let mut by_condition = vec![Bits::sized(rules.len()); data.conditions.len()];
        let mut by_class = vec![Bits::sized(rules.len()); data.classes.len()];
        let mut by_medicine = vec![Bits::sized(rules.len()); data.medicines.len()];
        let mut by_law = vec![Bits::sized(rules.len()); data.jurisdictions.len()];
        let (mut any_medicine, mut any_law, mut long_use) =
            (Bits::sized(rules.len()), Bits::sized(rules.len()), Bits::sized(rules.len()));
        let mut totals = Vec::new();
        let mut gaps = FxHashMap::default();
        let (mut doubles, mut wholes, mut children) = (Vec::new(), Vec::new(), Vec::new());
        for (at, rule) in rules.iter().enumerate() {
            let ix = at as RuleIx;
            let graver = rule.severity < Severity::Note;
            match &rule.test {
                Test::Pair { with, with_only, deliberate } => {
                    let formulas = deliberate.iter().filter_map(|d| m.formula_by_id(&d.formula));
                    purposes[at] =
                        formulas.map(|f| m.ingredients(f).iter().map(|s| roots[s.0 as usize]).collect()).collect();
                    let mut set = Bits::sized(n);
                    with_forms(m, with, &mut set);
                    exactly(m, with_only, &mut set);
                    for s in left[at].ones() {
                        drafts[s].side(ix, 1);
                    }
                    for s in set.ones() {
                        drafts[s].side(ix, 2);
                    }
                    right[at] = set;
                }
                Test::Present => left[at].ones().for_each(|s| drafts[s].present.push(ix)),
                Test::Patient { when, above: from } => {
                    left[at].ones().for_each(|s| conditional[s].set(at));
                    above[at] = from.map(Mark::new);
                    for c in when.iter().filter_map(|c| words.condition_ix(c)) {
                        by_condition[c as usize].set(at);
                    }
                }
                Test::Medicine { medicines, above: from } => {
                    left[at].ones().for_each(|s| conditional[s].set(at));
                    above[at] = from.map(Mark::new);
                    for id in medicines {
                        if let Some(c) = words.class_ix(id) {
                            by_class[c as usize].set(at);
                        } else if let Some(x) = words.medicine_ix(id) {
                            by_medicine[x as usize].set(at);
                        }
                    }
                    if graver {
                        any_medicine.set(at);
                    }
                }
                Test::Law { laws } => {
                    left[at].ones().for_each(|s| conditional[s].set(at));
                    for l in laws.iter().filter_map(|l| words.law_ix(l)) {
                        by_law[l as usize].set(at);
                    }
                    if graver {
                        any_law.set(at);
                    }
                }
                Test::Duration { days } => {
                    left[at].ones().for_each(|s| drafts[s].durations.push((*days, ix)));
                    if graver {
                        left[at].ones().for_each(|s| conditional[s].set(at));
                        long_use.set(at);
                    }
                }
                Test::Total { limit, contents, extracted, when, days, .. } => {
                    let number = totals.len() as u16;
                    totals.push(Total {
                        rule: ix,
                        when: when.iter().filter_map(|c| words.condition_ix(c)).collect(),
                        days: *days,
                        limit: *limit,
                        twice: limit.plus(*limit).unwrap_or(*limit),
                    });
                    for (number_of_content, content) in contents.iter().enumerate() {
                        for s in content_members(m, content, contents) {
                            let share = |by: (Rational, Rational)| {
                                let least = content.least.times(by.0)?.over(Rational::from(10_000))?;
                                let most = content.most.times(by.1)?.over(Rational::from(10_000))?;
                                let mark = |part: Rational| {
                                    part.is_positive().then(|| limit.over(part)).flatten().map(Mark::new)
                                };
                                let content = number_of_content as u16;
                                let middle = least.plus(most)?.over(Rational::from(2))?;
                                Some(Share {
                                    total: number,
                                    least,
                                    most,
                                    likely: mark(middle),
                                    maybe: mark(most),
                                    content,
                                })
                            };
                            let whole = (Rational::from(100), Rational::from(100));
                            let draft = &mut drafts[s.0 as usize];
                            draft.shares.extend(share(whole));
                            draft.boiled.extend(share(extracted.unwrap_or(whole)));
                        }
                    }
                }
                Test::Pot { pot } => left[at].ones().for_each(|s| drafts[s].pots.push((*pot, ix))),
                Test::Dose { over } => left[at].ones().for_each(|s| drafts[s].doses.push((*over, ix))),
                Test::Child { method } => children.push((*method, ix)),
                Test::Double { what } => doubles.push((*what, ix)),
                Test::Whole { measure, over } => wholes.push((*measure, *over, ix)),
                Test::Unchecked { what } => {
                    gaps.insert(*what, ix);
                }
            }
        }
        // A medicine and a class fire the rules of the classes they belong to.
        let by_class: Vec<Bits> = (0..by_class.len())
            .map(|c| {
                let mut all = Bits::sized(rules.len());
                words.wider(c as u16).iter().for_each(|w| all.join(&by_class[*w as usize]));
                all
            })
            .collect();
        for (x, bits) in by_medicine.iter_mut().enumerate() {
            words.classes_of(x as u16).iter().for_each(|c| bits.join(&by_class[*c as usize]));
        }
        let by_condition: Vec<Bits> = (0..by_condition.len())
            .map(|c| {
                let mut all = Bits::sized(rules.len());
                words.implied(c as u16).iter().for_each(|w| all.join(&by_condition[*w as usize]));
                all
            })
            .collect();
        let mut asks: Vec<(String, Bits)> = Vec::new();
        for (id, condition) in &data.conditions {
            let (Some(ask), Some(c)) = (&condition.ask, words.condition_ix(id)) else { continue };
            let at = asks.iter().position(|(a, _)| a == ask).unwrap_or_else(|| {
                asks.push((ask.clone(), Bits::sized(rules.len())));
                asks.len() - 1
            });
            for rule in by_condition[c as usize].ones().filter(|r| rules[*r].severity < Severity::Note) {
                asks[at].1.set(rule);
            }
        }
        let in_form = Form::ALL
            .iter()
            .map(|form| {
                let mut bits = Bits::sized(rules.len());
                (0..rules.len()).filter(|r| holds_in(&rules[*r], *form)).for_each(|r| bits.set(r));
                (*form, bits)
            })
            .collect();
        let mut law_always = Bits::sized(rules.len());
        for (id, _) in data.jurisdictions.iter().filter(|(_, j)| j.always) {
            words.law_ix(id).iter().for_each(|l| law_always.join(&by_law[*l as usize]));
        }
        // A species that only one substance and its forms come from cannot stand twice.
        let mut shared: FxHashMap<String, (u32, bool)> = FxHashMap::default();
        for (ix, s) in m.substances() {
            for name in s.species.iter().filter_map(|name| binomial(name)) {
                let root = roots[ix.0 as usize];
                shared.entry(name).and_modify(|(first, more)| *more |= *first != root).or_insert((root, false));
            }
        }
        let by_species = doubles.iter().any(|(what, _)| *what == Doubled::Species);
        let mut species_names: Vec<String> = Vec::new();
        let mut species_numbers: FxHashMap<String, u16> = FxHashMap::default();
        let mut watches = Vec::with_capacity(n);
        for ((ix, s), draft) in m.substances().zip(drafts) {
            let mut species = Vec::new();
            let names = s.species.iter().filter_map(|name| binomial(name));
            for name in names.filter(|name| by_species && shared.get(name).is_some_and(|(_, more)| *more)) {
                let number = *species_numbers.entry(name.clone()).or_insert_with(|| {
                    species_names.push(name);
                    species_names.len() as u16 - 1
                });
                species.push(number);
            }
            watches.push(draft.finish(s, roots[ix.0 as usize], species, &rules));
        }
        let glances = watches.iter().map(Watch::glance).collect();
        Rulebook {
            watches,
            glances,
            left,
            right,
            deliberate: purposes,
            conditional,
            above,
            in_form,
            by_condition,
            by_class,
            by_medicine,
            by_law,
            law_always,
            asks,
            any_medicine,
            any_law,
            long_use,
            totals,
            species_names,
            gaps,
            doubles,
            wholes,
            children,
            words,
            patterns: m.library().patterns.keys().cloned().collect(),
            off,
            rules,
        }
    }

    /// The rules in force.
    pub fn rules(&self) -> &[Rule] {
        &self.rules
    }

    /// How many rules a clinic's own file switches off.
    pub fn switched_off(&self) -> usize {
        self.off
    }

    /// The substances a rule speaks of, and for a pair those of its other side.
    pub fn members(&self, rule: usize) -> (Vec<SubstanceIx>, Vec<SubstanceIx>) {
        let list = |bits: &Bits| bits.ones().map(|i| SubstanceIx(i as u32)).collect();
        (list(&self.left[rule]), list(&self.right[rule]))
    }

    pub(crate) fn watch(&self, s: SubstanceIx) -> &Watch {
        &self.watches[s.0 as usize]
    }
}

/// Whether a rule holds for what is taken in this form.
pub(crate) fn holds_in(rule: &Rule, form: Form) -> bool {
    match form {
        Form::External => rule.outside,
        _ => rule.taken.is_empty() || rule.taken.contains(&form),
    }
}

/// Genus and epithet, without author and rank.
fn binomial(species: &str) -> Option<String> {
    let mut words = species.split_whitespace();
    let (genus, epithet) = (words.next()?, words.next()?);
    epithet.starts_with(|c: char| c.is_lowercase()).then(|| format!("{genus} {epithet}"))
}

impl Watch {
    fn glance(&self) -> Glance {
        let when = |yes: bool, flag: u8| if yes { flag } else { 0 };
        let ranges = (0..3).map(|f| when(self.ranges[f].is_some(), flag::RANGE << f)).sum::<u8>();
        Glance {
            root: self.root,
            pots: self.pots,
            flags: ranges
                | when(!self.pairs.is_empty(), flag::PAIR)
                | when(!self.present.is_empty(), flag::PRESENT)
                | when(!self.durations.is_empty(), flag::DURATION)
                | when(!self.shares.is_empty(), flag::SHARE)
                | when(!self.species.is_empty(), flag::SPECIES),
            lowest: self.lowest.map(|mark| mark.map_or(i64::MAX, |m| m.micrograms)),
        }
    }
}

#[derive(Default)]
struct Draft {
    pairs: Vec<(RuleIx, u8)>,
    present: Vec<RuleIx>,
    pots: Vec<(Pot, RuleIx)>,
    doses: Vec<(Rational, RuleIx)>,
    shares: Vec<Share>,
    boiled: Vec<Share>,
    durations: Vec<(u32, RuleIx)>,
}

impl Draft {
    fn side(&mut self, rule: RuleIx, side: u8) {
        match self.pairs.iter_mut().find(|p| p.0 == rule) {
            Some(pair) => pair.1 |= side,
            None => self.pairs.push((rule, side)),
        }
    }

    fn finish(mut self, s: &Substance, root: u32, species: Vec<u16>, rules: &[Rule]) -> Watch {
        let severity = |rule: RuleIx| rules[rule as usize].severity;
        // Of the rules for one way of handling, the gravest.
        self.pots.retain(|(pot, _)| s.pot.contains(pot));
        self.pots.sort_by_key(|(pot, rule)| (*pot, severity(*rule)));
        self.pots.dedup_by_key(|(pot, _)| *pot);
        let ranges = Taken::INSIDE.map(|t| t.range(&s.dose));
        let doses = ranges.map(|range| {
            let mut marks: Vec<(Mark, RuleIx)> = self
                .doses
                .iter()
                .filter_map(|(over, rule)| Some((Mark::new(range?.most.times(*over)?), *rule)))
                .collect();
            marks.sort_by_key(|(mark, rule)| (severity(*rule), std::cmp::Reverse(mark.micrograms)));
            marks.into_boxed_slice()
        });
        let lowest = [0, 1, 2].map(|f: usize| doses[f].iter().map(|d| d.0).min_by_key(|mark| mark.grams));
        Watch {
            root,
            pairs: self.pairs.into(),
            present: self.present.into(),
            pots: self.pots.iter().fold(0, |bits, (pot, _)| bits | pot_bit(*pot)),
            pot_rules: self.pots.iter().map(|(pot, rule)| (pot_bit(*pot), *rule)).collect(),
            doses,
            ranges,
            lowest,
            shares: self.shares.into(),
            boiled_shares: self.boiled.into(),
            durations: self.durations.into(),
            species: species.into(),
        }
    }
}
