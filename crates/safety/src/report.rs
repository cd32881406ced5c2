//! From what fired to findings a person can read: ranked, folded, with arithmetic, sources and overrides.

use std::collections::BTreeSet;

use fangwright_amount::Rational;
use fangwright_formula::{Span, label};
use fangwright_materia::records::{
    Doubled, Evidence, Form, Gap, Measure, Provenance, Rule, RuleKind, Severity, Test, Toxicity,
};
use fangwright_materia::{FormulaIx, Materia, SubstanceIx};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::case::{Case, Portion, Unread};
use crate::patient::Facts;
use crate::rulebook::{Bits, RuleIx, Rulebook, Taken};
use crate::scan::{Eased, Hit, NONE, Scratch, lowered, merge};
use crate::words::Drug;

/// What makes a rule fire.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct Fire {
    /// The substance.
    pub substance: SubstanceIx,
    /// As written, where it was.
    pub written: Option<String>,
    /// Where.
    pub span: Option<Span>,
    /// Grams a day.
    pub grams: Option<Rational>,
}

/// Why a practitioner goes on in spite of a finding.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Override {
    /// Key of the finding.
    pub finding: String,
    /// The reason.
    pub reason: String,
    /// Who.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub by: Option<String>,
    /// When.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub at: Option<String>,
    /// Confirmed a second time, as the deadly class asks.
    #[serde(default)]
    pub confirmed: bool,
}

/// One finding.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct Finding {
    /// What an override names: the rule, the substances, and the figures it rests on. It changes when they do.
    pub key: String,
    /// Id of the rule.
    pub rule: String,
    /// Kind of the rule.
    pub kind: RuleKind,
    /// How bad it is.
    pub severity: Severity,
    /// Topic.
    pub topic: String,
    /// In a few words.
    pub title: String,
    /// What fires it.
    pub fires: Vec<Fire>,
    /// The figures and names of this case.
    pub details: Vec<String>,
    /// Why it hurts.
    pub reason: String,
    /// What to do.
    pub action: String,
    /// What it rests on.
    pub evidence: Evidence,
    /// Where it is from.
    pub sources: Vec<Provenance>,
    /// Whether it is a rule of the clinic's own.
    pub own: bool,
    /// Related findings, no graver than this one.
    pub folded: Vec<Finding>,
    /// Set aside by the practitioner.
    pub overridden: Option<Override>,
    /// The medicines it is about: findings about others do not fold into it.
    #[serde(skip)]
    pub(crate) beside: String,
}

/// One thing that was looked at, or was not.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct Looked {
    /// What.
    pub what: String,
    /// Whether it was checked.
    pub checked: bool,
}

/// An override that has no effect.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct Refused {
    /// The override.
    pub given: Override,
    /// Why, and what to do.
    pub why: String,
}

/// What a check comes to.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct Report {
    /// Findings that stand, the deadly first.
    pub findings: Vec<Finding>,
    /// Findings the practitioner has set aside, with the reason.
    pub overridden: Vec<Finding>,
    /// Overrides that have no effect.
    pub refused: Vec<Refused>,
    /// What was looked at, and what was not.
    pub looked: Vec<Looked>,
}

impl Report {
    /// Whether a finding of the upper two severities stands.
    pub fn stands(&self) -> bool {
        self.findings.iter().any(|f| f.severity <= Severity::Grave)
    }

    /// Every finding that stands, folded ones too.
    pub fn all(&self) -> Vec<&Finding> {
        self.findings.iter().flat_map(|f| std::iter::once(f).chain(&f.folded)).collect()
    }
}

/// Kinds that speak of one substance's own hazard: they fold where they speak of the same substance.
fn of_substance(kind: RuleKind) -> bool {
    matches!(kind, RuleKind::Present | RuleKind::Dose | RuleKind::Pot | RuleKind::Duration | RuleKind::Total)
}

fn grams(g: Rational) -> String {
    format!("{} g", g.decimal(3))
}

/// A small weight in the unit that suits it.
fn small(g: Rational) -> String {
    let times = |n: i32| g.times(Rational::from(n));
    if g >= Rational::ONE {
        grams(g)
    } else {
        match (times(1000), times(1_000_000)) {
            (Some(mg), _) if mg >= Rational::ONE || mg.is_zero() => format!("{} mg", mg.decimal(2)),
            (_, Some(ug)) => format!("{} µg", ug.decimal(2)),
            _ => grams(g),
        }
    }
}

fn span_of(least: Rational, most: Rational) -> String {
    if least == most { small(least) } else { format!("{} to {}", small(least), small(most)) }
}

struct Writer<'a> {
    m: &'a Materia,
    book: &'a Rulebook,
    case: &'a Case,
    facts: &'a Facts,
    /// Each substance once; what most hits count by.
    merged: Vec<Portion>,
}

impl Rulebook {
    /// Checks a case and explains what was found.
    pub fn check(&self, m: &Materia, case: &Case, facts: &Facts, overrides: &[Override]) -> Report {
        let mut scratch = Scratch::default();
        self.scan(m, case, facts, &mut scratch);
        let mut merged = Vec::new();
        merge(&case.portions, &mut merged);
        let w = Writer { m, book: self, case, facts, merged };
        let mut rules: Vec<(RuleIx, Eased)> = scratch.hits().iter().map(|h| (h.rule, h.eased)).collect();
        rules.sort_unstable();
        rules.dedup();
        let mut findings: Vec<Finding> = rules
            .into_iter()
            .map(|(rule, eased)| {
                let hits: Vec<Hit> =
                    scratch.hits().iter().filter(|h| h.rule == rule && h.eased == eased).copied().collect();
                w.finding(rule, eased, &hits)
            })
            .collect();
        // Graver first; then what is sure, then what concerns more substances.
        findings.sort_by(|a, b| {
            (a.severity, a.evidence, std::cmp::Reverse(a.fires.len()), &a.rule).cmp(&(
                b.severity,
                b.evidence,
                std::cmp::Reverse(b.fires.len()),
                &b.rule,
            ))
        });
        let mut report =
            Report { findings: Vec::new(), overridden: Vec::new(), refused: Vec::new(), looked: w.looked() };
        for finding in fold(findings) {
            apply(finding, overrides, &mut report);
        }
        for given in overrides {
            let used = report.overridden.iter().any(|f| f.overridden.as_ref() == Some(given));
            let told = report.refused.iter().any(|r| r.given == *given);
            if !used && !told {
                let why = "no finding has this key now: what it rested on has changed, or it is gone".to_string();
                report.refused.push(Refused { given: given.clone(), why });
            }
        }
        report
    }
}

/// Puts findings under graver ones that they belong to.
fn fold(findings: Vec<Finding>) -> Vec<Finding> {
    let mut heads: Vec<Finding> = Vec::new();
    for finding in findings {
        let ids = |f: &Finding| f.fires.iter().map(|x| x.substance).collect::<BTreeSet<_>>();
        let mine = ids(&finding);
        let head = heads.iter_mut().find(|head| {
            // One poison in the pot does not hide another.
            let apart = of_substance(finding.kind) && head.severity <= Severity::Grave;
            let same_topic =
                head.topic == finding.topic && head.kind == finding.kind && head.beside == finding.beside && !apart;
            // A gap is never hidden behind something else, nor anything behind a gap.
            let gap = (head.kind == RuleKind::Unchecked) != (finding.kind == RuleKind::Unchecked);
            let same_thing = of_substance(head.kind)
                && of_substance(finding.kind)
                && !mine.is_empty()
                && mine.is_subset(&ids(head))
                && ids(head).len() == 1;
            let same_total = head.topic == finding.topic && head.kind == RuleKind::Total;
            !gap && (same_topic || same_thing || same_total)
        });
        match head {
            Some(head) => head.folded.push(finding),
            None => heads.push(finding),
        }
    }
    heads
}

/// Sets a finding aside where the practitioner has said so. What it folded and is not covered stands on its own.
fn apply(mut finding: Finding, overrides: &[Override], report: &mut Report) {
    match overrides.iter().find(|o| o.finding == finding.key) {
        None => {
            let (aside, kept): (Vec<_>, Vec<_>) =
                finding.folded.into_iter().partition(|f| overrides.iter().any(|o| o.finding == f.key));
            finding.folded = kept;
            report.findings.push(finding);
            for f in aside {
                apply(f, overrides, report);
            }
        }
        Some(given) => {
            let why = if given.reason.trim().is_empty() {
                Some("an override needs a reason".to_string())
            } else if finding.severity == Severity::Deadly && !given.confirmed {
                Some(
                    "the finding is of the deadly class: it is set aside only when confirmed a second time".to_string(),
                )
            } else {
                None
            };
            match why {
                Some(why) => {
                    report.refused.push(Refused { given: given.clone(), why });
                    report.findings.push(finding);
                }
                None => {
                    // An override speaks of the finding it names; what was folded under it comes up again.
                    let folded = std::mem::take(&mut finding.folded);
                    finding.overridden = Some(given.clone());
                    report.overridden.push(finding);
                    for f in fold(folded) {
                        apply(f, overrides, report);
                    }
                }
            }
        }
    }
}

impl Writer<'_> {
    fn finding(&self, rule: RuleIx, eased: Eased, hits: &[Hit]) -> Finding {
        let r = &self.book.rules[rule as usize];
        let severity = if eased == Eased::No { r.severity } else { lowered(r.severity) };
        let kind = r.test.kind();
        let mut fires: Vec<Fire> = Vec::new();
        let portions: Vec<Portion> = match kind {
            RuleKind::Double => self.doubled(r, hits),
            RuleKind::Total => self.bearers(rule),
            RuleKind::Unchecked if !matches!(r.test, Test::Unchecked { what: Gap::Weight | Gap::Range }) => Vec::new(),
            _ => hits.iter().filter(|h| h.at != NONE).filter_map(|h| self.merged.get(h.at as usize)).copied().collect(),
        };
        for p in portions {
            if !fires.iter().any(|f: &Fire| f.substance == p.substance && kind != RuleKind::Double) {
                fires.push(self.fire(&p));
            }
        }
        let (details, figures) = self.details(rule, r, hits, &fires, eased);
        let beside = if kind == RuleKind::Medicine {
            figures.split(':').next().unwrap_or_default().to_string()
        } else {
            String::new()
        };
        let mut ids: Vec<String> = fires.iter().map(|f| self.m.substance(f.substance).id.clone()).collect();
        ids.sort();
        ids.dedup();
        let mut key = r.id.clone();
        if !ids.is_empty() {
            key = format!("{key}@{}", ids.join("+"));
        }
        if !figures.is_empty() {
            key = format!("{key}:{figures}");
        }
        Finding {
            key,
            rule: r.id.clone(),
            kind,
            severity,
            topic: r.topic.clone(),
            title: match eased {
                Eased::No => r.title.clone(),
                Eased::MayBe => format!("{} (may be so)", r.title),
                Eased::OnPurpose => format!("{} (on purpose, as in a classical formula)", r.title),
            },
            fires,
            details,
            reason: r.reason.clone(),
            action: r.action.clone(),
            evidence: r.evidence,
            sources: r.provenance.clone(),
            own: r.place.own,
            folded: Vec::new(),
            overridden: None,
            beside,
        }
    }

    fn fire(&self, p: &Portion) -> Fire {
        let written = self.case.written.get(p.line as usize);
        Fire {
            substance: p.substance,
            written: written.map(|w| w.0.clone()),
            span: written.and_then(|w| w.1),
            grams: p.grams,
        }
    }

    fn name(&self, s: SubstanceIx) -> String {
        label(self.m, s)
    }

    fn names(&self, list: impl IntoIterator<Item = SubstanceIx>) -> String {
        let names: BTreeSet<String> = list.into_iter().map(|s| self.name(s)).collect();
        names.into_iter().collect::<Vec<_>>().join(", ")
    }

    /// Both portions of each double.
    fn doubled(&self, r: &Rule, hits: &[Hit]) -> Vec<Portion> {
        let Test::Double { what } = r.test else { return Vec::new() };
        let portions = &self.case.portions;
        let watch = |p: &Portion| self.book.watch(p.substance);
        let mut lines = BTreeSet::new();
        for hit in hits {
            let Some(p) = portions.get(hit.at as usize) else { continue };
            let same = |q: &Portion| match what {
                Doubled::Substance => q.substance == p.substance,
                Doubled::Form => q.substance != p.substance && watch(q).root == watch(p).root,
                Doubled::Species => {
                    watch(q).root != watch(p).root && watch(q).species.iter().any(|s| watch(p).species.contains(s))
                }
            };
            lines.extend((0..=hit.at as usize).filter(|i| *i == hit.at as usize || same(&portions[*i])));
        }
        lines.into_iter().map(|i| portions[i]).collect()
    }

    /// What brings the constituent of a total.
    fn bearers(&self, rule: RuleIx) -> Vec<Portion> {
        let form = self.case.form();
        let taken = Taken::of(form);
        let Some(number) = self.book.totals.iter().position(|t| t.rule == rule) else { return Vec::new() };
        let brings = |p: &&Portion| {
            self.book.shares(p.substance, taken, form).iter().any(|s| s.total == number as u16) && p.grams.is_some()
        };
        self.merged.iter().filter(brings).copied().collect()
    }

    /// The figures and names of the case, and what of them belongs to the key.
    fn details(&self, ix: RuleIx, r: &Rule, hits: &[Hit], fires: &[Fire], eased: Eased) -> (Vec<String>, String) {
        let mut lines = Vec::new();
        let mut figures = String::new();
        let of_portions = || hits.iter().filter(|h| h.at != NONE).filter_map(|h| self.merged.get(h.at as usize));
        let doses = || {
            let all: Vec<String> = of_portions().filter_map(|p| Some(p.grams?.to_string().replace(' ', "_"))).collect();
            all.join("+")
        };
        match &r.test {
            Test::Pair { deliberate, .. } => {
                let (left, right) = (&self.book.left[ix as usize], &self.book.right[ix as usize]);
                let side = |set: &Bits| self.names(fires.iter().map(|f| f.substance).filter(|s| set.has(s.0 as usize)));
                lines.push(format!("{} with {}", side(left), side(right)));
                for d in deliberate {
                    let Some(f) = self.m.formula_by_id(&d.formula) else { continue };
                    lines.push(self.deliberate(f, &d.why));
                }
            }
            Test::Patient { .. } => {
                let here = self.facts.typed.iter().filter(|(c, _)| {
                    let id = &self.book.words.condition_ids[*c as usize];
                    matches!(&r.test, Test::Patient { when, .. } if when.contains(id))
                });
                let data = &self.m.library().safety.conditions;
                let mut seen = BTreeSet::new();
                for (c, typed) in here {
                    let id = &self.book.words.condition_ids[*c as usize];
                    if let Some(condition) = data.get(id).filter(|_| seen.insert(id)) {
                        let said = if typed == id || *typed == condition.en {
                            String::new()
                        } else {
                            format!(" (said: {typed})")
                        };
                        lines.push(format!("known of the patient: {} {}{said}", condition.en, condition.zh));
                    }
                }
                if let Test::Patient { above: Some(above), .. } = &r.test {
                    lines.extend(self.above_line(*above, fires));
                    figures = doses();
                }
            }
            Test::Medicine { medicines, above } => {
                let mut taken = Vec::new();
                for taking in &self.facts.medicines {
                    if taking.drugs.iter().any(|d| self.concerns(*d, medicines)) {
                        let of: Vec<String> = taking.drugs.iter().map(|d| self.drug_name(*d)).collect();
                        let of = of.join(" + ");
                        taken.push(self.book.words.drug_id(taking.drugs[0]).to_string());
                        let said =
                            if taking.typed == of { String::new() } else { format!(" (said: {})", taking.typed) };
                        lines.push(format!("taken beside it: {of}{said}"));
                    }
                }
                figures = taken.join("+");
                if let Some(above) = above {
                    lines.extend(self.above_line(*above, fires));
                    figures = format!("{figures}:{}", doses());
                }
            }
            Test::Law { laws } => {
                let data = &self.m.library().safety.jurisdictions;
                for id in laws {
                    let chosen = self.book.words.law_ix(id).is_some_and(|l| self.facts.laws.contains(&l));
                    if let Some(j) = data.get(id).filter(|j| j.always || chosen) {
                        lines.push(format!("law: {}", j.en));
                    }
                }
            }
            Test::Duration { days } => {
                let given = self.case.days.unwrap_or_default();
                lines.push(format!("{given} days; not longer than {days}"));
                figures = given.to_string();
            }
            Test::Dose { .. } => {
                lines.extend(of_portions().filter_map(|p| self.dose_line(p)));
                figures = doses();
            }
            Test::Child { method } => {
                let share = self.facts.child_share(*method);
                let others: Vec<String> = fangwright_materia::records::ChildMethod::ALL
                    .iter()
                    .filter_map(|x| Some(format!("{x} {}", self.facts.child_share(*x)?.decimal(3))))
                    .collect();
                lines.push(format!("shares of the adult dose: {}; used here: {method}", others.join(", ")));
                lines.extend(of_portions().filter_map(|p| {
                    let range = self.range(p.substance)?;
                    let most = range.most.times(share?)?;
                    Some(format!(
                        "{}: {}, the share of {} is {}",
                        self.name(p.substance),
                        grams(p.grams?),
                        range,
                        grams(most)
                    ))
                }));
                figures = doses();
            }
            Test::Total { constituent, limit, extracted, contents, days, .. } => {
                let form = self.case.form();
                let taken = Taken::of(form);
                let number = self.book.totals.iter().position(|t| t.rule == ix).unwrap_or_default() as u16;
                for f in fires {
                    let share = self.book.shares(f.substance, taken, form).iter().find(|s| s.total == number);
                    let (Some(share), Some(g)) = (share, f.grams) else { continue };
                    let content = &contents[share.content as usize];
                    let percent = if content.least == content.most {
                        content.least.decimal(4)
                    } else {
                        format!("{} to {}", content.least.decimal(4), content.most.decimal(4))
                    };
                    let note = if content.note.is_empty() { String::new() } else { format!(" ({})", content.note) };
                    if let (Some(a), Some(b)) = (g.times(share.least), g.times(share.most)) {
                        let line = format!(
                            "{}: {} with {percent} percent{note} brings {}",
                            self.name(f.substance),
                            grams(g),
                            span_of(a, b)
                        );
                        lines.push(line);
                    }
                }
                if let (Some((a, b)), true) = (extracted, taken == Taken::Boiled && form != Form::Wine) {
                    lines.push(format!(
                        "counted in: {} to {} percent of it gets into a decoction",
                        a.decimal(1),
                        b.decimal(1)
                    ));
                }
                if let Some((a, b)) = self.book.sum(self.case, &self.merged, number, form, taken) {
                    let long = days.map_or(String::new(), |d| format!(", for use of more than {d} days"));
                    lines.push(format!("{constituent} in all {} a day; limit {}{long}", span_of(a, b), small(*limit)));
                    figures = b.decimal(6);
                }
                if eased == Eased::MayBe && days.is_some() && self.case.days.is_none() {
                    lines.push("the length of use is not known".into());
                }
                lines.push("content assumed, not measured in this batch".into());
            }
            Test::Double { what } => {
                let portions = self.doubled(r, hits);
                match what {
                    Doubled::Species => {
                        let mut names = BTreeSet::new();
                        for (i, p) in portions.iter().enumerate() {
                            for q in &portions[..i] {
                                let (a, b) = (self.book.watch(p.substance), self.book.watch(q.substance));
                                let shared = a.species.iter().filter(|s| b.species.contains(s));
                                names.extend(shared.map(|s| {
                                    let species = &self.book.species_names[*s as usize];
                                    format!("{species}: {}", self.names([p.substance, q.substance]))
                                }));
                            }
                        }
                        lines.extend(names);
                    }
                    _ => {
                        for p in &portions {
                            let written = self.case.written.get(p.line as usize).map_or("", |x| x.0.as_str());
                            let dose = p.grams.map_or("no weight".to_string(), grams);
                            lines.push(format!("{written}: {} ({dose})", self.name(p.substance)));
                        }
                        let sum = portions.iter().try_fold(Rational::ZERO, |s, p| s.plus(p.grams?));
                        if let Some(sum) = sum {
                            lines.push(format!("together {}", grams(sum)));
                        }
                    }
                }
            }
            Test::Whole { measure, over } => match measure {
                Measure::Ingredients => {
                    let n = self.case.portions.len() + self.case.unread.len();
                    lines.push(format!("{n} ingredients"));
                    figures = n.to_string();
                }
                Measure::Weight => {
                    let sum =
                        self.case.portions.iter().filter_map(|p| p.grams).try_fold(Rational::ZERO, Rational::plus);
                    lines.extend(sum.map(|s| format!("{} a day", grams(s))));
                    figures = sum.map(|s| s.to_string().replace(' ', "_")).unwrap_or_default();
                }
                Measure::Nature | Measure::Direction => {
                    let found = self.book.against_pattern(self.m, self.case, self.facts, *measure, *over);
                    if let Some((id, value)) = found {
                        if let Some(p) = self.m.library().patterns.get(&id) {
                            let wanted = match measure {
                                Measure::Nature if p.nature == Some(fangwright_materia::records::Lean::Hot) => {
                                    "warming"
                                }
                                Measure::Nature => "cooling",
                                _ if p.direction.is_some_and(|d| d.is_upward()) => "upward",
                                _ => "downward",
                            };
                            lines.push(format!(
                                "{} {} wants {wanted}; the mix stands at {} (teaching aid: mean over the ingredients, weighed by dose over usual dose)",
                                p.en,
                                p.zh,
                                value.decimal(2)
                            ));
                        }
                        figures = id;
                    }
                }
            },
            Test::Unchecked { what } => lines.extend(self.gap_lines(*what, hits, fires)),
            Test::Present | Test::Pot { .. } => {}
        }
        if let Some(note) = &r.note {
            lines.push(note.clone());
        }
        (lines, figures)
    }

    fn above_line(&self, above: Rational, fires: &[Fire]) -> Vec<String> {
        let all = fires.iter().map(|f| match f.grams {
            Some(g) => format!("{}: {} a day; this holds above {}", self.name(f.substance), grams(g), grams(above)),
            None => format!("{}: no weight given; this holds above {}", self.name(f.substance), grams(above)),
        });
        all.collect()
    }

    fn concerns(&self, drug: Drug, wanted: &[String]) -> bool {
        let words = &self.book.words;
        let class = |c: &u16| wanted.contains(&words.class_ids[*c as usize]);
        match drug {
            Drug::Medicine(i) => {
                wanted.contains(&words.medicine_ids[i as usize]) || words.classes_of(i).iter().any(class)
            }
            Drug::Class(c) => words.wider(c).iter().any(class),
        }
    }

    fn drug_name(&self, drug: Drug) -> String {
        let id = self.book.words.drug_id(drug);
        let data = &self.m.library().safety;
        match drug {
            Drug::Medicine(_) => data.medicines.get(id).map(|m| m.en.clone()),
            Drug::Class(_) => data.classes.get(id).map(|c| c.en.clone()),
        }
        .unwrap_or_else(|| id.to_string())
    }

    fn range(&self, s: SubstanceIx) -> Option<fangwright_amount::Range> {
        match Taken::of(self.case.form()) {
            Taken::Outside => None,
            taken => self.book.watch(s).ranges[taken as usize],
        }
    }

    fn dose_line(&self, p: &Portion) -> Option<String> {
        let range = self.range(p.substance)?;
        let form = self.case.form();
        let mut given = p.grams?;
        let mut how = format!("{} a day", grams(given));
        if let (Form::Granules, Some(ratio)) = (form, self.case.ratio) {
            given = given.times(ratio)?;
            how = format!("{how} of granules, {} of raw drug", grams(given));
        }
        let times = given.over(range.most)?;
        let record = self.m.substance(p.substance);
        let grade = match record.toxicity {
            Toxicity::None => String::new(),
            Toxicity::Slight => ", graded slightly toxic".into(),
            Toxicity::Toxic => ", graded toxic".into(),
            Toxicity::High => ", graded highly toxic".into(),
        };
        let dose = &record.dose;
        let held = match Taken::of(form) {
            Taken::Boiled => dose.decoction.is_some(),
            Taken::Powder => dose.powder.is_some(),
            Taken::Pill => dose.pill.is_some(),
            Taken::Outside => false,
        };
        let instead = if held { "" } else { " (of another form: the record has none for this one)" };
        let name = self.name(p.substance);
        Some(format!("{name}: {how}, range {range}{instead}, {} times its top{grade}", times.decimal(2)))
    }

    fn deliberate(&self, f: FormulaIx, why: &str) -> String {
        let formula = self.m.formula(f);
        let roots: Vec<u32> = self.m.ingredients(f).iter().map(|s| self.m.raw_form(*s).0).collect();
        let all = if self.book.holds(&roots, &self.merged) {
            "; this prescription holds all of it, so the finding is one degree less grave"
        } else {
            "; this prescription does not hold all of it"
        };
        format!("{} {} uses the pair on purpose: {why}{all}", formula.pinyin, formula.hanzi)
    }

    fn unread(&self, hits: &[Hit]) -> Vec<&Unread> {
        hits.iter().filter_map(|h| self.case.unread.get(h.at as usize)).collect()
    }

    fn gap_lines(&self, what: Gap, hits: &[Hit], fires: &[Fire]) -> Vec<String> {
        let book = self.book;
        match what {
            Gap::Name => self
                .unread(hits)
                .iter()
                .map(|u| match &u.nearest {
                    Some(near) => format!("`{}`; did you mean {near}?", u.written),
                    None => format!("`{}`", u.written),
                })
                .collect(),
            Gap::Several => self
                .unread(hits)
                .iter()
                .map(|u| format!("`{}`: {}", u.written, self.names(u.several.iter().copied())))
                .collect(),
            Gap::Weight | Gap::Range => vec![self.names(fires.iter().map(|f| f.substance))],
            Gap::Medicine => {
                let say = |typed: &String| match book.words.nearest_drug(typed) {
                    Some(near) => format!("`{typed}`; did you mean {near}?"),
                    None => format!("`{typed}`"),
                };
                self.facts.unknown_medicines.iter().map(say).collect()
            }
            Gap::Condition => {
                let patterns = self.facts.patterns.iter().filter(|p| !book.known_pattern(p));
                let say = |typed: &String| match book.words.nearest_condition(typed) {
                    Some(near) => format!("`{typed}`; did you mean {near}?"),
                    None => format!("`{typed}`"),
                };
                self.facts
                    .unknown_conditions
                    .iter()
                    .map(say)
                    .chain(patterns.map(|p| format!("pattern `{p}`")))
                    .collect()
            }
            Gap::Patient => {
                let mut lines: Vec<String> = Vec::new();
                for i in &self.facts.open {
                    let (ask, rules) = &book.asks[*i];
                    lines.extend(self.matters(ask, rules));
                }
                if !self.facts.medicines_known {
                    lines.extend(self.matters("medicines", &book.any_medicine));
                }
                lines
            }
            Gap::Law => {
                let mut lines: Vec<String> =
                    self.facts.unknown_laws.iter().map(|l| format!("`{l}` is not covered")).collect();
                if !self.facts.laws_chosen {
                    lines.extend(self.matters("the law of a country", &book.any_law));
                }
                lines
            }
            Gap::Length => self.matters("the days", &book.long_use).into_iter().collect(),
            Gap::Ratio | Gap::Large | Gap::Outside => Vec::new(),
        }
    }

    /// Which substances make a question matter, those with the gravest rules named first.
    fn matters(&self, ask: &str, rules: &Bits) -> Option<String> {
        let form = self.case.form();
        let mut all: Vec<(Severity, SubstanceIx)> = Vec::new();
        for p in &self.merged {
            let bits = &self.book.conditional[p.substance.0 as usize];
            let gravest = rules
                .ones()
                .filter(|r| bits.has(*r) && crate::rulebook::holds_in(&self.book.rules[*r], form))
                .map(|r| self.book.rules[r].severity)
                .min();
            all.extend(gravest.map(|g| (g, p.substance)));
        }
        let gravest = all.iter().map(|a| a.0).min()?;
        let names = self.names(all.iter().filter(|a| a.0 == gravest).map(|a| a.1));
        let rest = all.iter().filter(|a| a.0 != gravest).count();
        let rest = if rest == 0 { String::new() } else { format!(", and {rest} more of less weight") };
        Some(format!("{ask}: {gravest} for {names}{rest}"))
    }

    /// What was looked at, and what was not.
    fn looked(&self) -> Vec<Looked> {
        let book = self.book;
        let count = |kind: RuleKind| book.rules.iter().filter(|r| r.test.kind() == kind).count();
        let form = self.case.form();
        let mut looked = Vec::new();
        let mut say = |what: String, checked: bool| looked.push(Looked { what, checked });
        let n = self.merged.len();
        say(format!("{n} substances against {} pairs", count(RuleKind::Pair)), n > 0);
        let weighed = self.merged.iter().filter(|p| p.grams.is_some() && self.range(p.substance).is_some()).count();
        say(format!("dose of {weighed} of {n}, taken as {form}"), weighed == n && n > 0);
        if let (Form::Granules, ratio) = (form, self.case.ratio) {
            say("strength of the granules".into(), ratio.is_some());
        }
        say(format!("handling in the pot ({} rules)", count(RuleKind::Pot)), true);
        say(format!("{} constituents that add up", book.totals.len()), weighed == n && n > 0);
        say(format!("what stands twice ({} rules)", count(RuleKind::Double)), true);
        let held: Vec<&str> =
            self.facts.conditions.iter().map(|c| book.words.condition_ids[*c as usize].as_str()).collect();
        let known = if held.is_empty() { "nothing said".to_string() } else { held.join(", ") };
        say(
            format!("what is known of the patient ({known}) against {} rules", count(RuleKind::Patient)),
            !held.is_empty(),
        );
        for (i, (ask, _)) in book.asks.iter().enumerate() {
            say(ask.clone(), !self.facts.open.contains(&i));
        }
        let taking: Vec<&str> = self.facts.medicines.iter().map(|t| t.typed.as_str()).collect();
        let with = if taking.is_empty() { "none".to_string() } else { taking.join(", ") };
        let medicines = self.facts.medicines_known && self.facts.unknown_medicines.is_empty();
        say(
            if self.facts.medicines_known {
                format!("medicines ({with}) against {} rules", count(RuleKind::Medicine))
            } else {
                "medicines: not said whether any are taken".into()
            },
            medicines,
        );
        say(
            match self.case.days {
                Some(days) => format!("{days} days against {} limits of use", count(RuleKind::Duration)),
                None => "length of use: not given".into(),
            },
            self.case.days.is_some(),
        );
        let data = &self.m.library().safety.jurisdictions;
        for (id, j) in data {
            let chosen = book.words.law_ix(id).is_some_and(|l| self.facts.laws.contains(&l));
            if j.always || chosen {
                say(format!("law: {}: {}", j.en, j.covers), true);
            }
        }
        if !self.facts.laws_chosen {
            say("law of a country: none chosen".into(), false);
        }
        for law in &self.facts.unknown_laws {
            say(format!("law: `{law}` is not covered"), false);
        }
        say(
            if self.facts.patterns.is_empty() {
                "fit to a pattern: none given".into()
            } else {
                "fit to the pattern".into()
            },
            !self.facts.patterns.is_empty(),
        );
        for unread in &self.case.unread {
            say(format!("`{}`: no rule could be applied", unread.written), false);
        }
        if self.book.off > 0 {
            say(format!("{} rules that the clinic has switched off", self.book.off), false);
        }
        looked
    }
}
