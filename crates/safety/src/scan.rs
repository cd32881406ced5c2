//! Which rules fire, and nothing else: the part that has to be quick.

use fangwright_amount::Rational;
use fangwright_formula::{Mix, Part, Profile};
use fangwright_materia::records::{Doubled, Form, Gap, Lean, Measure, Severity, Test};
use fangwright_materia::{Materia, SubstanceIx};

use crate::case::{Case, Portion};
use crate::patient::Facts;
use crate::rulebook::{Bits, Glance, Mark, RuleIx, Rulebook, Share, Taken, flag, micrograms, pot_bit};

/// No portion in particular.
pub(crate) const NONE: u16 = u16::MAX;

/// A rule that fires, and on what.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Hit {
    pub(crate) rule: RuleIx,
    /// Number of the portion, or of the unread line for a gap.
    pub(crate) at: u16,
    /// Why it is one degree less grave than the rule says, if it is.
    pub(crate) eased: Eased,
}

/// Why something is one degree less grave than its rule says.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) enum Eased {
    /// It is not.
    No,
    /// The figure may be above the limit, and need not be.
    MayBe,
    /// The whole of a classical formula that uses the pair on purpose is there.
    OnPurpose,
}

impl Hit {
    /// Number of the rule in the rulebook.
    pub fn rule(&self) -> usize {
        self.rule as usize
    }
}

/// One degree less grave.
pub(crate) fn lowered(severity: Severity) -> Severity {
    match severity {
        Severity::Deadly => Severity::Grave,
        Severity::Grave => Severity::Caution,
        other => other.max(Severity::Note),
    }
}

/// Room that a scan needs, kept from one to the next.
#[derive(Default)]
pub struct Scratch {
    sides: Vec<u8>,
    touched: Vec<RuleIx>,
    present: Bits,
    /// For each root, in which scan it was last met, and in which line.
    roots: Vec<(u32, u16)>,
    /// For each species, in which scan it was last met, and by which root.
    species: Vec<(u32, u32)>,
    /// Number of this scan.
    turn: u32,
    totals: Vec<(u16, u16)>,
    merged: Vec<Portion>,
    hits: Vec<Hit>,
}

impl Scratch {
    /// What fired in the last scan.
    pub fn hits(&self) -> &[Hit] {
        &self.hits
    }
}

impl Rulebook {
    /// Finds what fires. The result stands in `scratch`, in no particular order.
    pub fn scan<'s>(&self, m: &Materia, case: &Case, facts: &Facts, scratch: &'s mut Scratch) -> &'s [Hit] {
        scratch.hits.clear();
        if scratch.sides.len() < self.rules.len() {
            scratch.sides = vec![0; self.rules.len()];
            scratch.present = Bits::sized(self.rules.len());
            scratch.species = vec![(0, 0); self.species_names.len()];
            scratch.roots = vec![(0, 0); self.watches.len()];
            scratch.turn = 0;
        }
        let form = case.form();
        let taken = Taken::of(form);
        self.gaps_of_case(case, facts, form, scratch);
        let doubled = self.doubles(case, scratch);
        if doubled {
            // One substance in two lines has one dose.
            let mut merged = std::mem::take(&mut scratch.merged);
            merge(&case.portions, &mut merged);
            self.portions(case, &merged, facts, form, taken, scratch);
            scratch.merged = merged;
        } else {
            self.portions(case, &case.portions, facts, form, taken, scratch);
        }
        self.whole(m, case, facts, scratch);
        &scratch.hits
    }

    fn gap(&self, what: Gap, at: u16, hits: &mut Vec<Hit>) {
        if let Some(rule) = self.gaps.get(&what) {
            hits.push(Hit { rule: *rule, at, eased: Eased::No });
        }
    }

    fn gaps_of_case(&self, case: &Case, facts: &Facts, form: Form, scratch: &mut Scratch) {
        let hits = &mut scratch.hits;
        for (at, unread) in (0..).zip(&case.unread) {
            self.gap(if unread.several.is_empty() { Gap::Name } else { Gap::Several }, at, hits);
        }
        if !facts.unknown_medicines.is_empty() {
            self.gap(Gap::Medicine, NONE, hits);
        }
        if !facts.unknown_conditions.is_empty() || facts.patterns.iter().any(|p| !self.known_pattern(p)) {
            self.gap(Gap::Condition, NONE, hits);
        }
        if form == Form::Granules && case.ratio.is_none() {
            self.gap(Gap::Ratio, NONE, hits);
        }
        if form == Form::External {
            self.gap(Gap::Outside, NONE, hits);
        }
    }

    /// Reports what stands twice; says whether one substance stands in two lines.
    fn doubles(&self, case: &Case, scratch: &mut Scratch) -> bool {
        scratch.turn = scratch.turn.wrapping_add(1);
        if scratch.turn == 0 {
            scratch.species.fill((0, 0));
            scratch.roots.fill((0, 0));
            scratch.turn = 1;
        }
        let Scratch { roots, species, turn, hits, .. } = scratch;
        let turn = *turn;
        let mut report = |what, at| {
            let rule = self.doubles.iter().find(|(w, _)| *w == what).map(|(_, rule)| *rule);
            hits.extend(rule.map(|rule| Hit { rule, at, eased: Eased::No }));
        };
        let mut same = false;
        for (i, p) in (0u16..).zip(&case.portions) {
            let glance = &self.glances[p.substance.0 as usize];
            let root = glance.root;
            let met = &mut roots[root as usize];
            if met.0 == turn {
                // Rare: only here the lines before are gone through.
                let before = &case.portions[..i as usize];
                let twice = before.iter().any(|q| q.substance == p.substance);
                let form = before
                    .iter()
                    .any(|q| q.substance != p.substance && self.glances[q.substance.0 as usize].root == root);
                same |= twice;
                if twice {
                    report(Doubled::Substance, i);
                }
                if form {
                    report(Doubled::Form, i);
                }
            }
            *met = (turn, i);
            if glance.flags & flag::SPECIES == 0 {
                continue;
            }
            let mut other = false;
            for s in &self.watch(p.substance).species {
                let slot = &mut species[*s as usize];
                other |= slot.0 == turn && slot.1 != root;
                *slot = (turn, root);
            }
            if other {
                report(Doubled::Species, i);
            }
        }
        same
    }

    fn portions(
        &self,
        case: &Case,
        portions: &[Portion],
        facts: &Facts,
        form: Form,
        taken: Taken,
        scratch: &mut Scratch,
    ) {
        let inside = taken != Taken::Outside;
        let in_form = &self.in_form[&form];
        let child = facts.is_child().then(|| {
            let methods: Vec<_> = self.children.iter().map(|(method, _)| *method).collect();
            let (method, share) = facts.child_method(&methods)?;
            let rule = self.children.iter().find(|(x, _)| *x == method)?.1;
            Some((share, rule))
        });
        let child = child.flatten();
        scratch.present.clear();
        scratch.totals.clear();
        let f = taken as usize;
        for (at, p) in (0u16..).zip(portions) {
            let glance = self.glances[p.substance.0 as usize];
            let hit = |rule| Hit { rule, at, eased: Eased::No };
            if glance.flags & flag::PAIR != 0 {
                for (rule, side) in &self.watch(p.substance).pairs {
                    let held = &mut scratch.sides[*rule as usize];
                    if *held == 0 {
                        scratch.touched.push(*rule);
                    }
                    *held |= side;
                }
            }
            scratch.present.join(&self.conditional[p.substance.0 as usize]);
            if glance.flags & flag::PRESENT != 0 {
                let here = self.watch(p.substance).present.iter().filter(|rule| in_form.has(**rule as usize));
                scratch.hits.extend(here.map(|rule| hit(*rule)));
            }
            if glance.pots != 0 {
                self.handling(&glance, p, form, at, &mut scratch.hits);
            }
            if let Some(days) = case.days
                && glance.flags & flag::DURATION != 0
            {
                for (most, rule) in &self.watch(p.substance).durations {
                    if days > *most && in_form.has(*rule as usize) {
                        scratch.hits.push(hit(*rule));
                    }
                }
            }
            if !inside {
                continue;
            }
            let Some(weighed) = self.weighed(case, p, form) else {
                if p.grams.is_none() {
                    self.gap(Gap::Weight, at, &mut scratch.hits);
                }
                continue;
            };
            if glance.flags & flag::RANGE << f == 0 {
                self.gap(Gap::Range, at, &mut scratch.hits);
            } else if weighed.0 >= glance.lowest[f] || child.is_some() {
                self.dose(p.substance, weighed, f, at, child, &mut scratch.hits);
            }
            if glance.flags & flag::SHARE != 0 {
                scratch.totals.extend(self.watch(p.substance).shares.iter().map(|share| (share.total, at)));
            }
        }
        self.conditional(case, portions, facts, form, scratch);
        self.pairs(portions, form, scratch);
        self.sums(case, portions, facts, form, taken, scratch);
    }

    /// Grams of raw drug a day with their whole micrograms; none without a weight or, for granules, a ratio.
    fn weighed(&self, case: &Case, p: &Portion, form: Form) -> Option<(i64, Rational)> {
        let grams = p.grams?;
        if form == Form::Granules {
            let grams = grams.times(case.ratio?)?;
            return Some((micrograms(grams), grams));
        }
        Some((p.micrograms, grams))
    }

    fn handling(&self, glance: &Glance, p: &Portion, form: Form, at: u16, hits: &mut Vec<Hit>) {
        use fangwright_materia::records::Pot;
        let boiled = matches!(form, Form::Decoction | Form::Draft);
        let mut missing = glance.pots & !p.pots;
        if missing == 0 {
            return;
        }
        if !boiled {
            missing &= pot_bit(Pot::ExternalOnly);
        }
        if form == Form::External {
            missing &= !pot_bit(Pot::ExternalOnly);
        }
        // Taken as powder with the liquid, it is not boiled.
        if p.pots & (pot_bit(Pot::TakeWithLiquid) | pot_bit(Pot::NotDecocted)) != 0 {
            missing &= !(pot_bit(Pot::NotDecocted) | pot_bit(Pot::TakeWithLiquid));
        }
        // Dissolved in the finished liquid, either way.
        if p.pots & pot_bit(Pot::TakeWithLiquid) != 0 {
            missing &= !pot_bit(Pot::MeltIn);
        }
        // Where one of two ways is written, the other is not missed.
        if p.pots & glance.pots != 0 {
            missing &= pot_bit(Pot::CookFirst) | pot_bit(Pot::ExternalOnly);
        }
        for (bit, rule) in &self.watch(p.substance).pot_rules {
            if missing & bit != 0 {
                hits.push(Hit { rule: *rule, at, eased: Eased::No });
            }
        }
    }

    /// `f` is the form, as a place in `Taken::INSIDE`.
    fn dose(
        &self,
        substance: SubstanceIx,
        (micrograms, grams): (i64, Rational),
        f: usize,
        at: u16,
        child: Option<(Rational, RuleIx)>,
        hits: &mut Vec<Hit>,
    ) {
        let watch = self.watch(substance);
        if let Some((_, rule)) = watch.doses[f].iter().find(|(mark, _)| mark.passed_by(micrograms, grams)) {
            hits.push(Hit { rule: *rule, at, eased: Eased::No });
        }
        if let (Some((share, rule)), Some(range)) = (child, watch.ranges[f]) {
            match range.most.times(share) {
                Some(most) if grams > most => hits.push(Hit { rule, at, eased: Eased::No }),
                Some(_) => {}
                None => self.gap(Gap::Large, at, hits),
            }
        }
    }

    fn conditional(&self, case: &Case, portions: &[Portion], facts: &Facts, form: Form, scratch: &mut Scratch) {
        let in_form = &self.in_form[&form];
        let Scratch { present, hits, .. } = scratch;
        for word in 0..present.0.len() {
            let mut fires = present.0[word] & facts.active.0[word] & in_form.0[word];
            while fires != 0 {
                let rule = word * 64 + fires.trailing_zeros() as usize;
                fires &= fires - 1;
                for (at, p) in (0u16..).zip(portions) {
                    if !self.conditional[p.substance.0 as usize].has(rule) {
                        continue;
                    }
                    let enough = match (&self.above[rule], self.weighed(case, p, form)) {
                        (Some(mark), Some((micrograms, grams))) => mark.passed_by(micrograms, grams),
                        _ => true,
                    };
                    if enough {
                        hits.push(Hit { rule: rule as RuleIx, at, eased: Eased::No });
                    }
                }
            }
        }
        let matters = |rules: &Bits| present.0.iter().zip(&rules.0).zip(&in_form.0).any(|((a, b), c)| a & b & c != 0);
        if matters(&facts.unsaid) {
            self.gap(Gap::Patient, NONE, hits);
        }
        if !facts.unknown_laws.is_empty() || !facts.laws_chosen && matters(&self.any_law) {
            self.gap(Gap::Law, NONE, hits);
        }
        if case.days.is_none() && matters(&self.long_use) {
            self.gap(Gap::Length, NONE, hits);
        }
    }

    fn pairs(&self, portions: &[Portion], form: Form, scratch: &mut Scratch) {
        let Scratch { touched, sides, hits, .. } = scratch;
        for rule in touched.drain(..) {
            let both = std::mem::take(&mut sides[rule as usize]) == 3;
            if both && self.in_form[&form].has(rule as usize) {
                let on_purpose = self.deliberate[rule as usize].iter().any(|f| self.holds(f, portions));
                let eased = if on_purpose { Eased::OnPurpose } else { Eased::No };
                for at in self.pair_parts(rule, portions) {
                    hits.push(Hit { rule, at, eased });
                }
            }
        }
    }

    /// Whether all of these raw substances are there, in whatever form.
    pub(crate) fn holds(&self, roots: &[u32], portions: &[Portion]) -> bool {
        roots.iter().all(|root| portions.iter().any(|p| self.watch(p.substance).root == *root))
    }

    /// The portions that make a pair rule fire: on one side, with a different substance on the other.
    pub(crate) fn pair_parts(&self, rule: RuleIx, portions: &[Portion]) -> Vec<u16> {
        let (left, right) = (&self.left[rule as usize], &self.right[rule as usize]);
        let has = |set: &Bits, p: &Portion| set.has(p.substance.0 as usize);
        let meets = |p: &Portion| {
            portions
                .iter()
                .any(|q| q.substance != p.substance && (has(left, p) && has(right, q) || has(right, p) && has(left, q)))
        };
        (0u16..).zip(portions).filter(|(_, p)| meets(p)).map(|(at, _)| at).collect()
    }

    /// Shares of a substance in this form.
    pub(crate) fn shares(&self, s: SubstanceIx, taken: Taken, form: Form) -> &[Share] {
        let watch = self.watch(s);
        // Granules are made of a decoction.
        if taken == Taken::Boiled && form != Form::Wine { &watch.boiled_shares } else { &watch.shares }
    }

    fn sums(&self, case: &Case, portions: &[Portion], facts: &Facts, form: Form, taken: Taken, scratch: &mut Scratch) {
        let Scratch { totals, hits, .. } = scratch;
        totals.sort_unstable();
        let in_form = &self.in_form[&form];
        for bearers in totals.chunk_by(|a, b| a.0 == b.0) {
            let (number, at) = bearers[0];
            let total = &self.totals[number as usize];
            let rule = total.rule;
            let asked = total.when.is_empty() || total.when.iter().any(|c| facts.holds(*c));
            let short = total.days.is_some_and(|most| case.days.is_some_and(|d| d <= most));
            if !asked || short || !in_form.has(rule as usize) {
                continue;
            }
            let (likely, maybe) = if bearers.len() == 1 {
                // One substance alone: its own marks are enough.
                let p = &portions[at as usize];
                let share = self.shares(p.substance, taken, form).iter().find(|s| s.total == number);
                let (Some(share), Some((micrograms, grams))) = (share, self.weighed(case, p, form)) else { continue };
                let passed = |mark: &Option<Mark>| mark.is_some_and(|m| m.passed_by(micrograms, grams));
                (passed(&share.likely), passed(&share.maybe))
            } else {
                match self.sum(case, portions, number, form, taken) {
                    Some((least, most)) => {
                        (least.plus(most).is_some_and(|both| both > total.twice), most > total.limit)
                    }
                    None => {
                        self.gap(Gap::Large, at, hits);
                        continue;
                    }
                }
            };
            // A limit that only holds for long use is a maybe while the days are not known.
            let unsure = total.days.is_some() && case.days.is_none();
            if likely {
                let eased = if unsure { Eased::MayBe } else { Eased::No };
                hits.push(Hit { rule, at: NONE, eased });
            } else if maybe && self.rules[rule as usize].severity < Severity::Note {
                hits.push(Hit { rule, at: NONE, eased: Eased::MayBe });
            }
        }
    }

    /// Grams a day of one constituent, least and most.
    pub(crate) fn sum(
        &self,
        case: &Case,
        portions: &[Portion],
        number: u16,
        form: Form,
        taken: Taken,
    ) -> Option<(Rational, Rational)> {
        let (mut least, mut most) = (Rational::ZERO, Rational::ZERO);
        for p in portions {
            let share = self.shares(p.substance, taken, form).iter().find(|s| s.total == number);
            if let (Some(share), Some((_, grams))) = (share, self.weighed(case, p, form)) {
                least = least.plus(grams.times(share.least)?)?;
                most = most.plus(grams.times(share.most)?)?;
            }
        }
        Some((least, most))
    }

    fn whole(&self, m: &Materia, case: &Case, facts: &Facts, scratch: &mut Scratch) {
        for (measure, over, rule) in &self.wholes {
            let fires = match measure {
                Measure::Ingredients => Rational::from(case.portions.len() as i128 + case.unread.len() as i128) > *over,
                Measure::Weight => {
                    let micrograms: i64 =
                        case.portions.iter().fold(0i64, |sum, p| sum.saturating_add(p.micrograms.max(0)));
                    case.form() != Form::External
                        && case.form() != Form::Granules
                        && Mark::new(*over).passed_by(micrograms, Rational::ZERO)
                }
                Measure::Nature | Measure::Direction => {
                    !facts.patterns.is_empty() && self.against_pattern(m, case, facts, *measure, *over).is_some()
                }
            };
            if fires {
                scratch.hits.push(Hit { rule: *rule, at: NONE, eased: Eased::No });
            }
        }
    }

    pub(crate) fn known_pattern(&self, id: &str) -> bool {
        self.patterns.contains(id)
    }

    /// The pattern that the mix goes against, with the value on our scale and the profile it comes from.
    pub(crate) fn against_pattern(
        &self,
        m: &Materia,
        case: &Case,
        facts: &Facts,
        measure: Measure,
        over: Rational,
    ) -> Option<(String, Rational)> {
        let profile = Profile::of(m, &mix(case))?;
        let against = |value: Rational, wanted_positive: bool| {
            let value = if wanted_positive { Rational::ZERO.minus(value)? } else { value };
            (value > over).then_some(())
        };
        facts.patterns.iter().find_map(|id| {
            let pattern = m.library().patterns.get(id)?;
            let (value, wanted) = match measure {
                Measure::Nature => (profile.nature, pattern.nature? == Lean::Hot),
                _ => (profile.upward, pattern.direction?.is_upward()),
            };
            against(value, wanted)?;
            Some((id.clone(), value))
        })
    }

    /// The severity of what fired.
    pub fn severity(&self, hit: &Hit) -> Severity {
        let severity = self.rules[hit.rule as usize].severity;
        if hit.eased == Eased::No { severity } else { lowered(severity) }
    }

    /// Whether a rule is of the kind that says what was not checked.
    pub fn is_gap(&self, hit: &Hit) -> bool {
        matches!(self.rules[hit.rule as usize].test, Test::Unchecked { .. })
    }
}

/// A case as a mix, for its profile.
pub(crate) fn mix(case: &Case) -> Mix {
    let parts = case.portions.iter().map(|p| Part { substance: p.substance, grams: p.grams, role: None });
    Mix { formula: None, parts: parts.collect() }
}

/// Each substance once, with its whole dose; what is written on handling in one line counts for all.
pub(crate) fn merge(portions: &[Portion], merged: &mut Vec<Portion>) {
    merged.clear();
    for p in portions {
        match merged.iter_mut().find(|q| q.substance == p.substance) {
            Some(q) => {
                q.grams = match (q.grams, p.grams) {
                    (Some(a), Some(b)) => a.plus(b),
                    (a, b) => a.or(b),
                };
                q.micrograms = q.grams.map_or(0, micrograms);
                q.pots |= p.pots;
            }
            None => merged.push(*p),
        }
    }
}
