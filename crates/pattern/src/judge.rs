//! From findings to patterns: single ones and sets of up to three, with their arithmetic, and the next question.

use std::collections::BTreeSet;

use fangwright_materia::records::Judging;
use fangwright_materia::{FormulaIx, Materia, SubstanceIx};
use rustc_hash::{FxHashMap, FxHashSet};
use schemars::JsonSchema;
use serde::Serialize;

use crate::terms::{FindingIx, Noted, Terms, UnreadWord};

/// How a pattern sees a finding.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Tie {
    /// Without it one hesitates.
    Cardinal,
    /// Usually there.
    Usual,
    /// May be there.
    Possible,
    /// Speaks against.
    Contrary,
}

/// What is known of the patient's findings.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Presentation {
    /// There.
    pub present: Vec<FindingIx>,
    /// Asked for and not there.
    pub absent: Vec<FindingIx>,
    /// Asked for, and nobody can say.
    pub unknown: Vec<FindingIx>,
}

/// Two findings that cannot both be.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct Contradiction {
    /// One.
    pub one: String,
    /// The other; the same where it is said to be there and not to be there.
    pub other: String,
}

impl Presentation {
    /// What a text says, with what the findings bring with them.
    pub fn of(noted: &Noted) -> Presentation {
        Presentation {
            present: noted.present.iter().map(|x| x.0).collect(),
            absent: noted.absent.iter().map(|x| x.0).collect(),
            unknown: Vec::new(),
        }
    }

    /// What cannot be at the same time. Nothing is settled for the reader.
    pub fn contradictions(&self, terms: &Terms) -> Vec<Contradiction> {
        let mut found = Vec::new();
        let mut say = |a: FindingIx, b: FindingIx| {
            found.push(Contradiction { one: terms.id(a).into(), other: terms.id(b).into() });
        };
        for (i, a) in self.present.iter().enumerate() {
            if self.absent.contains(a) {
                say(*a, *a);
            }
            for b in &self.present[..i] {
                if terms.against(*a).any(|x| x == *b) {
                    say(*b, *a);
                }
            }
        }
        found
    }
}

/// One line of a pattern's arithmetic.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct Weighed {
    /// Finding id.
    pub finding: String,
    /// How the pattern sees it.
    pub tie: Tie,
    /// Whether it is there; else it was asked for and is not.
    pub present: bool,
    /// Points, rarity counted in.
    pub points: i32,
}

/// A pattern with its points.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct Ranked {
    /// Pattern id.
    pub pattern: String,
    /// Sum of the points: a teaching aid, not a likelihood.
    pub points: i32,
    /// The arithmetic.
    pub lines: Vec<Weighed>,
    /// Cardinal findings that nobody has asked for.
    pub open: Vec<String>,
}

/// One to three patterns that explain the findings together.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct Together {
    /// Pattern ids, the strongest first.
    pub patterns: Vec<String>,
    /// Points of the set.
    pub points: i32,
    /// For each finding that is explained, by which pattern.
    pub explained: Vec<(String, String)>,
    /// Findings that no pattern of the set explains.
    pub unexplained: Vec<String>,
    /// Findings that speak against one of them, with the pattern.
    pub against: Vec<(String, String)>,
    /// Which of them grows from which, where the data says so: root, branch.
    pub root: Option<(String, String)>,
}

/// The question whose answer would tell most.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct Question {
    /// Finding to ask for.
    pub finding: String,
    /// Expected information in hundredths of a bit.
    pub worth: u32,
    /// The leading pattern if the answer is yes, and if it is no.
    pub if_yes: String,
    /// See there.
    pub if_no: String,
}

/// A formula for what was found.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct FormulaRanked {
    /// The formula.
    pub formula: FormulaIx,
    /// Points: a teaching aid.
    pub points: i32,
    /// Findings of its own record that are there.
    pub matched: Vec<String>,
    /// The ranked pattern it is for that has most points.
    pub pattern: Option<String>,
    /// Points that it has from that pattern.
    pub from_pattern: i32,
}

/// What the findings come to.
#[derive(Debug, Clone, PartialEq, Default, Serialize, JsonSchema)]
pub struct Judgement {
    /// Single patterns, the strongest first.
    pub patterns: Vec<Ranked>,
    /// Sets of up to three, the strongest first.
    pub together: Vec<Together>,
    /// Formulas, the strongest first.
    pub formulas: Vec<FormulaRanked>,
    /// The next best questions.
    pub questions: Vec<Question>,
    /// Findings that cannot both be.
    pub contradictions: Vec<Contradiction>,
    /// What could not be read.
    pub unread: Vec<UnreadWord>,
}

/// Patterns and formulas, made ready.
pub struct Judge {
    ids: Vec<String>,
    /// For each pattern the findings it names.
    ties: Vec<FxHashMap<u16, Tie>>,
    /// For each finding the patterns that name it.
    by_finding: Vec<Vec<(u16, Tie)>>,
    /// How much more a rare finding counts.
    rarity: Vec<i32>,
    grows: FxHashMap<(u16, u16), ()>,
    /// For each formula what it is given for, and its patterns.
    formulas: Vec<Given>,
    formula_rarity: Vec<i32>,
    /// How many formulas name each finding.
    formula_count: Vec<usize>,
    weights: Judging,
}

/// How firmly a formula is given for a finding.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Firm {
    /// It is recognised by it.
    Key,
    /// It is given for it.
    May,
    /// One reader of two says so.
    Seldom,
}

/// What a formula is given for.
#[derive(Debug, Default)]
struct Given {
    /// Findings, and how firmly it is given for them.
    findings: FxHashMap<u16, Firm>,
    /// Plain findings of which it names a narrower kind only.
    wider: FxHashSet<u16>,
    /// Findings that forbid it.
    not: Vec<u16>,
    patterns: Vec<u16>,
    /// How often the number of formulas built on it doubles.
    doublings: i32,
}

/// How many patterns are looked at for sets: those with most points.
const FOR_SETS: usize = 36;

impl Judge {
    /// Makes the patterns and formulas of the data ready.
    pub fn new(m: &Materia, terms: &Terms) -> Judge {
        let library = m.library();
        let weights = library.judging.clone().unwrap_or_default();
        let ids: Vec<String> = library.patterns.keys().cloned().collect();
        let number = |id: &String| ids.binary_search(id).ok().map(|i| i as u16);
        let mut by_finding: Vec<Vec<(u16, Tie)>> = vec![Vec::new(); terms.len()];
        let mut ties = Vec::with_capacity(ids.len());
        let mut grows = FxHashMap::default();
        for (p, pattern) in (0u16..).zip(library.patterns.values()) {
            let mut map = FxHashMap::default();
            let lists = [
                (&pattern.cardinal, Tie::Cardinal),
                (&pattern.usual, Tie::Usual),
                (&pattern.possible, Tie::Possible),
                (&pattern.contrary, Tie::Contrary),
            ];
            for (list, tie) in lists {
                for f in list.iter().filter_map(|id| terms.by_id(id)) {
                    if map.insert(f.0, tie).is_none() {
                        by_finding[f.0 as usize].push((p, tie));
                    }
                }
            }
            for other in pattern.from.iter().filter_map(&number) {
                grows.insert((other, p), ());
            }
            for other in pattern.into.iter().filter_map(&number) {
                grows.insert((p, other), ());
            }
            ties.push(map);
        }
        let mut count = vec![0usize; terms.len()];
        let formulas: Vec<Given> = m
            .formulas()
            .map(|(_, f)| {
                let mut given = Given { patterns: f.patterns.iter().filter_map(&number).collect(), ..Given::default() };
                let list =
                    |ids: &[String]| ids.iter().filter_map(|id| terms.by_id(id)).map(|f| f.0).collect::<Vec<_>>();
                if let Some(signs) = library.signs.get(&f.id) {
                    given.findings.extend(list(&signs.seldom).into_iter().map(|f| (f, Firm::Seldom)));
                    given.findings.extend(list(&signs.may).into_iter().map(|f| (f, Firm::May)));
                    given.findings.extend(list(&signs.key).into_iter().map(|f| (f, Firm::Key)));
                    given.not = list(&signs.not);
                }
                // The record's own words count too: as key findings where nothing else is known.
                let bare = if given.findings.is_empty() { Firm::Key } else { Firm::May };
                for text in f.findings.iter().chain(&f.tongue).chain(&f.pulse) {
                    for (x, _) in terms.read_known(m, text).present {
                        given.findings.entry(x.0).or_insert(bare);
                    }
                }
                given.findings.keys().for_each(|f| count[*f as usize] += 1);
                let wider = given.findings.keys().flat_map(|f| terms.implied(FindingIx(*f)));
                given.wider = wider.map(|f| f.0).filter(|f| !given.findings.contains_key(f)).collect();
                given
            })
            .collect();
        // Formulas that hold every ingredient of another, in whatever form, are built on it.
        let roots: Vec<BTreeSet<SubstanceIx>> =
            m.formulas().map(|(ix, _)| m.ingredients(ix).iter().map(|s| m.raw_form(*s)).collect()).collect();
        let mut formulas = formulas;
        for (given, own) in formulas.iter_mut().zip(&roots) {
            // Two ingredients meet in many formulas by chance.
            let built = roots.iter().filter(|r| own.len() > 2 && own.is_subset(r)).count();
            given.doublings = built.max(1).ilog2() as i32;
        }
        let mut judge = Judge {
            ids,
            ties,
            by_finding,
            rarity: Vec::new(),
            grows,
            formulas,
            formula_rarity: Vec::new(),
            formula_count: count,
            weights: weights.clone(),
        };
        judge.reweigh(&weights);
        judge
    }

    /// Puts other weights in force.
    pub fn reweigh(&mut self, weights: &Judging) {
        let rare = |n: usize| {
            if n <= weights.rare {
                weights.times_rare
            } else if n <= weights.uncommon {
                weights.times_uncommon
            } else {
                1
            }
        };
        let naming = |list: &Vec<(u16, Tie)>| list.iter().filter(|(_, t)| *t != Tie::Contrary).count();
        self.rarity = self.by_finding.iter().map(|l| rare(naming(l))).collect();
        let halvings = |n: usize| (self.formulas.len() / n.max(1)).max(1).ilog2() as i32;
        self.formula_rarity =
            self.formula_count.iter().map(|n| (halvings(*n) - weights.formula_common).max(1)).collect();
        self.weights = weights.clone();
    }

    fn points(&self, tie: Tie, present: bool, finding: u16) -> i32 {
        let w = &self.weights;
        let base = match (tie, present) {
            (Tie::Cardinal, true) => w.cardinal,
            (Tie::Usual, true) => w.usual,
            (Tie::Possible, true) => w.possible,
            (Tie::Contrary, true) => w.contrary,
            (Tie::Cardinal, false) => w.cardinal_absent,
            (Tie::Usual, false) => w.usual_absent,
            (Tie::Possible, false) => 0,
            (Tie::Contrary, false) => w.contrary_absent,
        };
        if present && tie != Tie::Contrary { base * self.rarity[finding as usize] } else { base }
    }

    /// What counts as there (what was said first, then what it brings with it; and how much was said), what as absent, and
    /// the points of every pattern.
    fn weigh(&self, terms: &Terms, p: &Presentation) -> (Vec<u16>, usize, Vec<u16>, Vec<i32>) {
        let mut present: Vec<u16> = p.present.iter().map(|f| f.0).collect();
        // What a finding brings with it counts where it is not said itself, without the rarity of what was said.
        let said = present.len();
        for f in &p.present {
            for wider in terms.implied(*f) {
                if !present.contains(&wider.0) {
                    present.push(wider.0);
                }
            }
        }
        let absent: Vec<u16> = p.absent.iter().map(|f| f.0).filter(|f| !present.contains(f)).collect();
        let mut points = vec![0i32; self.ids.len()];
        for (place, f) in present.iter().enumerate() {
            for (pattern, tie) in &self.by_finding[*f as usize] {
                let mut here = self.points(*tie, true, *f);
                if place >= said && *tie != Tie::Contrary {
                    here = here.min(self.weights.implied);
                }
                points[*pattern as usize] += here;
            }
        }
        for f in &absent {
            for (pattern, tie) in &self.by_finding[*f as usize] {
                points[*pattern as usize] += self.points(*tie, false, *f);
            }
        }
        (present, said, absent, points)
    }

    /// Formulas alone, the strongest first.
    pub fn formulas(&self, terms: &Terms, p: &Presentation) -> Vec<FormulaRanked> {
        let (present, said, absent, points) = self.weigh(terms, p);
        self.rank_formulas(terms, &present[..said], &present, &absent, &points)
    }

    /// Ranks patterns, sets and formulas, and finds the next questions.
    pub fn judge(&self, terms: &Terms, p: &Presentation, unread: Vec<UnreadWord>) -> Judgement {
        let (present, said, absent, points) = self.weigh(terms, p);
        let mut order: Vec<u16> = (0..self.ids.len() as u16).filter(|i| points[*i as usize] > 0).collect();
        order.sort_by_key(|i| (-points[*i as usize], *i));
        let open: Vec<u16> = p.unknown.iter().map(|f| f.0).collect();
        let ranked = |i: u16| {
            let ties = &self.ties[i as usize];
            let mut lines: Vec<Weighed> = Vec::new();
            for (list, there) in [(&present, true), (&absent, false)] {
                for (place, f) in list.iter().enumerate() {
                    let Some(tie) = ties.get(f) else { continue };
                    let mut here = self.points(*tie, there, *f);
                    if there && place >= said && *tie != Tie::Contrary {
                        here = here.min(self.weights.implied);
                    }
                    lines.push(Weighed {
                        finding: terms.id(FindingIx(*f)).into(),
                        tie: *tie,
                        present: there,
                        points: here,
                    });
                }
            }
            lines.sort_by_key(|l| (-l.points, l.finding.clone()));
            let asked = |f: &u16| present.contains(f) || absent.contains(f) || open.contains(f);
            let mut missing: Vec<String> = ties
                .iter()
                .filter(|(f, tie)| **tie == Tie::Cardinal && !asked(f))
                .map(|(f, _)| terms.id(FindingIx(*f)).to_string())
                .collect();
            missing.sort();
            Ranked { pattern: self.ids[i as usize].clone(), points: points[i as usize], lines, open: missing }
        };
        let patterns: Vec<Ranked> = order.iter().take(12).map(|i| ranked(*i)).collect();
        Judgement {
            together: self.together(terms, &present[..said], &order, &points),
            formulas: self.rank_formulas(terms, &present[..said], &present, &absent, &points),
            questions: self.questions(terms, &present, &absent, &open, &order, &points),
            contradictions: p.contradictions(terms),
            patterns,
            unread,
        }
    }

    /// Sets of one to three among the strongest; each finding counts once, for the pattern that values it most.
    fn together(&self, terms: &Terms, said: &[u16], order: &[u16], points: &[i32]) -> Vec<Together> {
        let top: Vec<u16> = order.iter().take(FOR_SETS).copied().collect();
        // Per pattern and finding: what it gives (0 where it does not explain), and what speaks against it in all.
        let gain: Vec<Vec<i32>> = top
            .iter()
            .map(|p| {
                said.iter()
                    .map(|f| {
                        self.ties[*p as usize]
                            .get(f)
                            .filter(|t| **t != Tie::Contrary)
                            .map_or(0, |t| self.points(*t, true, *f))
                    })
                    .collect()
            })
            .collect();
        let against: Vec<i32> =
            top.iter().zip(&gain).map(|(p, g)| (points[*p as usize] - g.iter().sum::<i32>()).min(0)).collect();
        let w = &self.weights;
        let mut best: Vec<(i32, Vec<usize>)> = Vec::new();
        let mut keep = |sum: i32, set: &[usize]| {
            if best.len() < 8 || sum > best[best.len() - 1].0 {
                let place = best.partition_point(|(s, other)| {
                    (*s, other.len()) > (sum, set.len()) || *s == sum && other.len() <= set.len()
                });
                best.insert(place, (sum, set.to_vec()));
                best.truncate(8);
            }
        };
        // What a set explains, finding by finding, is carried along as patterns join it.
        let joined = |so_far: &[i32], more: &[i32], out: &mut Vec<i32>| {
            out.clear();
            out.extend(so_far.iter().zip(more).map(|(a, b)| *a.max(b)));
        };
        let worth = |most: &[i32]| -> i32 { most.iter().map(|m| if *m > 0 { *m } else { w.unexplained }).sum() };
        let worth_with = |so_far: &[i32], more: &[i32]| -> i32 {
            so_far.iter().zip(more).map(|(a, b)| *a.max(b)).map(|m| if m > 0 { m } else { w.unexplained }).sum()
        };
        let mut pair = Vec::with_capacity(said.len());
        for a in 0..top.len() {
            keep(worth(&gain[a]) + against[a], &[a]);
            for b in a + 1..top.len() {
                joined(&gain[a], &gain[b], &mut pair);
                let two = against[a] + against[b] + w.further_pattern;
                keep(worth(&pair) + two, &[a, b]);
                for c in b + 1..top.len() {
                    keep(worth_with(&pair, &gain[c]) + two + against[c] + w.further_pattern, &[a, b, c]);
                }
            }
        }
        best.into_iter()
            .map(|(sum, set)| {
                let mut set: Vec<u16> = set.into_iter().map(|i| top[i]).collect();
                set.sort_by_key(|p| -points[*p as usize]);
                let id = |p: u16| self.ids[p as usize].clone();
                let name = |f: &u16| terms.id(FindingIx(*f)).to_string();
                let mut explained = Vec::new();
                let mut unexplained = Vec::new();
                let mut against = Vec::new();
                for f in said {
                    let by = set
                        .iter()
                        .filter_map(|p| Some((self.ties[*p as usize].get(f).filter(|t| **t != Tie::Contrary)?, *p)))
                        .min_by_key(|(tie, _)| **tie);
                    match by {
                        Some((_, p)) => explained.push((name(f), id(p))),
                        None => unexplained.push(name(f)),
                    }
                    let contrary = set.iter().filter(|p| self.ties[**p as usize].get(f) == Some(&Tie::Contrary));
                    against.extend(contrary.map(|p| (name(f), id(*p))));
                }
                let root = set
                    .iter()
                    .flat_map(|a| set.iter().map(move |b| (*a, *b)))
                    .find(|pair| self.grows.contains_key(pair));
                Together {
                    patterns: set.iter().map(|p| id(*p)).collect(),
                    points: sum,
                    explained,
                    unexplained,
                    against,
                    root: root.map(|(a, b)| (id(a), id(b))),
                }
            })
            .collect()
    }

    fn rank_formulas(
        &self,
        terms: &Terms,
        said: &[u16],
        present: &[u16],
        absent: &[u16],
        points: &[i32],
    ) -> Vec<FormulaRanked> {
        let w = &self.weights;
        let mut all: Vec<FormulaRanked> = (0u32..)
            .zip(&self.formulas)
            .filter_map(|(i, given)| {
                let mut sum = 0;
                let mut matched = Vec::new();
                for (place, f) in present.iter().enumerate() {
                    let spoken = place < said.len();
                    match given.findings.get(f) {
                        Some(firm) => {
                            let here = self.formula_points(*firm, *f);
                            sum += if spoken { here } else { here.min(w.implied) };
                            matched.push(terms.id(FindingIx(*f)).to_string());
                        }
                        // The patient's "cough" where the formula is for one kind of cough: it may be that kind.
                        None if spoken && given.wider.contains(f) => {
                            sum += w.formula_wider * self.formula_rarity[*f as usize];
                            matched.push(terms.id(FindingIx(*f)).to_string());
                        }
                        None if spoken => sum += w.formula_unexplained,
                        None => {}
                    }
                    if given.not.contains(f) {
                        sum += w.formula_not;
                    }
                    if spoken {
                        let contrary =
                            terms.against(FindingIx(*f)).any(|x| given.findings.get(&x.0) == Some(&Firm::Key));
                        if contrary && !given.findings.contains_key(f) {
                            sum += w.formula_contrary;
                        }
                    }
                }
                for f in given.findings.iter().filter(|(_, firm)| **firm == Firm::Key).map(|(f, _)| f) {
                    if absent.contains(f) {
                        sum += w.formula_absent;
                    } else if !present.contains(f) {
                        sum += w.formula_missing;
                    }
                }
                sum += w.formula_base * given.doublings;
                let pattern = given.patterns.iter().copied().max_by_key(|p| points[*p as usize]);
                let best = pattern.map_or(0, |p| points[p as usize]);
                let from_pattern = best * w.formula_pattern_percent / 100;
                sum += from_pattern;
                (!matched.is_empty() || from_pattern > 0).then(|| FormulaRanked {
                    formula: FormulaIx(i),
                    points: sum,
                    matched,
                    pattern: pattern.filter(|_| best > 0).map(|p| self.ids[p as usize].clone()),
                    from_pattern,
                })
            })
            .collect();
        let of_pattern = |f: &FormulaRanked| {
            let number = f.pattern.as_ref().and_then(|p| self.ids.binary_search(p).ok());
            number.map_or(0, |p| points[p])
        };
        all.sort_by_cached_key(|f| (-f.points, -of_pattern(f), f.formula.0));
        all.truncate(20);
        all
    }

    /// Points that a formula has for one of its findings: more for a rare one.
    fn formula_points(&self, firm: Firm, finding: u16) -> i32 {
        let w = &self.weights;
        let each = match firm {
            Firm::Key => w.formula_key,
            Firm::May => w.formula_may,
            Firm::Seldom => w.formula_seldom,
        };
        each * self.formula_rarity[finding as usize]
    }

    /// How likely a pattern makes an answer of yes; rough steps of our own.
    fn chance(&self, pattern: u16, finding: u16) -> f64 {
        match self.ties[pattern as usize].get(&finding) {
            Some(Tie::Cardinal) => 0.85,
            Some(Tie::Usual) => 0.55,
            Some(Tie::Possible) => 0.25,
            Some(Tie::Contrary) => 0.03,
            None => 0.08,
        }
    }

    fn questions(
        &self,
        terms: &Terms,
        present: &[u16],
        absent: &[u16],
        open: &[u16],
        order: &[u16],
        points: &[i32],
    ) -> Vec<Question> {
        let top: Vec<u16> = order.iter().take(10).copied().collect();
        if top.len() < 2 {
            return Vec::new();
        }
        let lead = points[top[0] as usize];
        // A few points more make a pattern twice as likely: a scale of our own, for choosing a question only.
        let step = f64::from(self.weights.points_for_double.max(1));
        let prior: Vec<f64> = top.iter().map(|p| 2f64.powf(f64::from(points[*p as usize] - lead) / step)).collect();
        let total: f64 = prior.iter().sum();
        let prior: Vec<f64> = prior.iter().map(|x| x / total).collect();
        let entropy = |p: &[f64]| -> f64 {
            let sum: f64 = p.iter().sum();
            p.iter().filter(|x| **x > 0.0).map(|x| x / sum).map(|x| -x * x.log2()).sum()
        };
        let now = entropy(&prior);
        let mut asked: Vec<bool> = vec![false; terms.len()];
        for f in present.iter().chain(absent).chain(open) {
            asked[*f as usize] = true;
        }
        for f in present {
            // What contradicts something that is there is answered.
            terms.against(FindingIx(*f)).for_each(|x| asked[x.0 as usize] = true);
        }
        let mut candidates: Vec<u16> =
            top.iter().flat_map(|p| self.ties[*p as usize].keys().copied()).filter(|f| !asked[*f as usize]).collect();
        candidates.sort_unstable();
        candidates.dedup();
        let mut questions: Vec<Question> = candidates
            .into_iter()
            .map(|f| {
                let yes: Vec<f64> = top.iter().zip(&prior).map(|(p, x)| x * self.chance(*p, f)).collect();
                let no: Vec<f64> = top.iter().zip(&prior).map(|(p, x)| x * (1.0 - self.chance(*p, f))).collect();
                let (py, pn): (f64, f64) = (yes.iter().sum(), no.iter().sum());
                let worth = now - py * entropy(&yes) - pn * entropy(&no);
                let leading = |list: &[f64]| {
                    let i = (0..list.len()).max_by(|a, b| list[*a].total_cmp(&list[*b])).unwrap_or(0);
                    self.ids[top[i] as usize].clone()
                };
                Question {
                    finding: terms.id(FindingIx(f)).into(),
                    worth: (worth.max(0.0) * 100.0).round() as u32,
                    if_yes: leading(&yes),
                    if_no: leading(&no),
                }
            })
            .collect();
        questions.sort_by(|a, b| b.worth.cmp(&a.worth).then(a.finding.cmp(&b.finding)));
        questions.truncate(5);
        questions
    }
}
