//! Safety rules, and what they speak of: conditions, medicines, laws. The reading of their TOML is at the end.

use std::collections::{BTreeMap, BTreeSet};
use std::ops::Range as Bytes;

use fangwright_amount::Rational;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use toml::Spanned;

use crate::model::*;
use crate::read::{RawProvenance, Reader, Text, Texts};

words! {
    /// How bad it is; the first two make a check fail.
    Severity { Deadly = "deadly", Grave = "grave", NotChecked = "not checked", Caution = "caution", Note = "note" }
}
words! {
    /// What a rule rests on, the strongest first.
    Evidence {
        Trial = "human trial", CaseReport = "case report", Laboratory = "laboratory", Theory = "theory",
        Tradition = "tradition", Regulation = "regulation",
    }
}
words! {
    /// What a rule looks at.
    RuleKind {
        Pair = "pair", Present = "present", Patient = "patient", Medicine = "medicine", Duration = "duration",
        Law = "law", Total = "total", Pot = "pot", Dose = "dose", Child = "child", Double = "double", Whole = "whole",
        Unchecked = "unchecked",
    }
}
words! {
    /// What stands in a prescription twice.
    Doubled { Substance = "substance", Form = "form", Species = "species" }
}
words! {
    /// What of the whole prescription is looked at.
    Measure {
        Ingredients = "ingredients", Weight = "daily weight", Nature = "nature against pattern",
        Direction = "direction against pattern",
    }
}
words! {
    /// How the dose of a child is reckoned from that of an adult.
    ChildMethod { Surface = "surface", Clark = "clark", Young = "young", Ages = "ages" }
}
words! {
    /// What a check could not do.
    Gap {
        Name = "name", Several = "name of several", Weight = "weight", Range = "dose range", Ratio = "granule ratio",
        Medicine = "medicine", Condition = "condition", Patient = "patient", Law = "law", Length = "length of use",
        Large = "large numbers", Outside = "outside",
    }
}
words! {
    /// What kind of thing a condition is.
    ConditionKind { State = "state", Disease = "disease", Allergy = "allergy", Diet = "diet", Plan = "plan" }
}

/// Something that can be known of a patient and that rules ask for.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Condition {
    /// Chinese term.
    pub zh: String,
    /// English term.
    pub en: String,
    /// State, disease, allergy …
    pub kind: ConditionKind,
    /// Other words that mean it.
    #[serde(default)]
    pub names: Vec<String>,
    /// Conditions that it brings with it.
    #[serde(default)]
    pub implies: Vec<String>,
    /// The question that has to be answered for a check to be whole.
    pub ask: Option<String>,
}

/// A class of medicines.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct MedicineClass {
    /// Chinese term.
    pub zh: String,
    /// English term.
    pub en: String,
    /// Other words that mean it.
    #[serde(default)]
    pub names: Vec<String>,
    /// Wider classes it belongs to.
    #[serde(default)]
    pub within: Vec<String>,
}

/// A medicine by its generic name.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Medicine {
    /// Chinese generic name.
    pub zh: String,
    /// English generic name.
    pub en: String,
    /// Other generic names and salts.
    #[serde(default)]
    pub names: Vec<String>,
    /// Classes it belongs to.
    pub classes: Vec<String>,
    /// A plain sentence worth reading.
    pub note: Option<String>,
}

/// Whose law rules ask for.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Jurisdiction {
    /// English name.
    pub en: String,
    /// Whether it holds without being chosen.
    #[serde(default)]
    pub always: bool,
    /// What our rules cover of it.
    pub covers: String,
}

/// Which substances a rule speaks of: the union of all that is given, less `except`.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize, JsonSchema)]
pub struct Selector {
    /// Every substance.
    pub all: bool,
    /// These, with every processed form and part of them.
    pub substances: Vec<String>,
    /// Exactly these.
    pub only: Vec<String>,
    /// Exactly these are taken out again.
    pub except: Vec<String>,
    /// All of these families.
    pub families: Vec<String>,
    /// All with a species of these genera.
    pub genera: Vec<String>,
    /// All of these shelves.
    pub categories: Vec<String>,
    /// All with one of these actions.
    pub actions: Vec<String>,
    /// All of these pharmacopoeia grades.
    pub toxicity: Vec<Toxicity>,
    /// All of these pharmacopoeia classes for pregnancy.
    pub pregnancy: Vec<Pregnancy>,
    /// All of these kinds.
    pub kinds: Vec<Kind>,
}

/// A classical formula that uses a pair on purpose.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Deliberate {
    /// Formula id.
    pub formula: String,
    /// What the pair is for there.
    pub why: String,
}

/// How much of a constituent a substance holds.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Content {
    /// Substance id.
    pub substance: String,
    /// Least, in percent of the weight.
    pub least: Rational,
    /// Most, in percent of the weight.
    pub most: Rational,
    /// Whether it covers processed forms that have no line of their own.
    pub forms: bool,
    /// A plain sentence worth reading.
    pub note: String,
    /// Looked up or remembered.
    pub how: How,
}

/// When a rule fires.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Test {
    /// A substance meets one of the other side.
    Pair {
        /// The other side, with processed forms.
        with: Vec<String>,
        /// The other side, exactly these.
        with_only: Vec<String>,
        /// Formulas that do it on purpose.
        deliberate: Vec<Deliberate>,
    },
    /// A substance is there.
    Present,
    /// A substance is given to somebody with one of these conditions.
    Patient {
        /// Condition ids.
        when: Vec<String>,
        /// From more than this many grams a day.
        above: Option<Rational>,
    },
    /// A substance is given beside one of these medicines.
    Medicine {
        /// Ids of medicines and classes.
        medicines: Vec<String>,
        /// From more than this many grams a day.
        above: Option<Rational>,
    },
    /// A substance is taken for longer.
    Duration {
        /// Days that are still usual.
        days: u32,
    },
    /// A substance is restricted by one of these.
    Law {
        /// Jurisdiction ids.
        laws: Vec<String>,
    },
    /// The ingredients together bring more of a constituent than the limit.
    Total {
        /// Its name.
        constituent: String,
        /// Grams a day.
        limit: Rational,
        /// Who brings how much.
        contents: Vec<Content>,
        /// Percent that gets into a decoction, least and most.
        extracted: Option<(Rational, Rational)>,
        /// Only for people with one of these conditions; empty for all.
        when: Vec<String>,
        /// The limit holds for use beyond this many days.
        days: Option<u32>,
    },
    /// Handling in the pot that the record asks for is not written.
    Pot {
        /// Which.
        pot: Pot,
    },
    /// The dose is more than `over` times the top of its range.
    Dose {
        /// How many times.
        over: Rational,
    },
    /// The dose is above the child's share of the adult range.
    Child {
        /// How the share is reckoned.
        method: ChildMethod,
    },
    /// The same twice.
    Double {
        /// What.
        what: Doubled,
    },
    /// The whole prescription.
    Whole {
        /// What of it.
        measure: Measure,
        /// More than this: a count, grams a day, or degrees of our teaching scale.
        over: Rational,
    },
    /// Something could not be checked.
    Unchecked {
        /// What.
        what: Gap,
    },
}

impl Test {
    /// Which kind it is.
    pub fn kind(&self) -> RuleKind {
        match self {
            Test::Pair { .. } => RuleKind::Pair,
            Test::Present => RuleKind::Present,
            Test::Patient { .. } => RuleKind::Patient,
            Test::Medicine { .. } => RuleKind::Medicine,
            Test::Duration { .. } => RuleKind::Duration,
            Test::Law { .. } => RuleKind::Law,
            Test::Total { .. } => RuleKind::Total,
            Test::Pot { .. } => RuleKind::Pot,
            Test::Dose { .. } => RuleKind::Dose,
            Test::Child { .. } => RuleKind::Child,
            Test::Double { .. } => RuleKind::Double,
            Test::Whole { .. } => RuleKind::Whole,
            Test::Unchecked { .. } => RuleKind::Unchecked,
        }
    }
}

/// One safety rule.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Rule {
    /// Stable id.
    pub id: String,
    /// What it says in a few words.
    pub title: String,
    /// How bad it is.
    pub severity: Severity,
    /// Findings of one topic fold into one.
    pub topic: String,
    /// Why it hurts.
    pub reason: String,
    /// What to do.
    pub action: String,
    /// What it rests on.
    pub evidence: Evidence,
    /// Where it is from.
    pub provenance: Vec<Provenance>,
    /// Only in these forms; empty for every form taken inside.
    pub taken: Vec<Form>,
    /// Whether it also holds on the outside of the body.
    pub outside: bool,
    /// Which substances.
    pub selector: Selector,
    /// When it fires.
    pub test: Test,
    /// Whether the clinic has switched it off.
    pub off: bool,
    /// A plain sentence worth reading.
    pub note: Option<String>,
    /// File and line.
    pub place: Place,
}

/// Everything under `data/safety/`.
#[derive(Debug, Clone, Default, Serialize, Deserialize)]
pub struct SafetyData {
    /// Condition id → condition.
    pub conditions: BTreeMap<String, Condition>,
    /// Class id → class.
    pub classes: BTreeMap<String, MedicineClass>,
    /// Medicine id → medicine.
    pub medicines: BTreeMap<String, Medicine>,
    /// Jurisdiction id → jurisdiction.
    pub jurisdictions: BTreeMap<String, Jurisdiction>,
    /// All rules.
    pub rules: Vec<Rule>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct RawDeliberate {
    formula: Text,
    why: String,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct RawContent {
    s: Text,
    percent: Text,
    #[serde(default)]
    forms: bool,
    #[serde(default)]
    note: String,
    how: How,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct RawRule {
    id: Text,
    kind: Option<Spanned<RuleKind>>,
    title: Option<String>,
    severity: Option<Spanned<Severity>>,
    topic: Option<Text>,
    reason: Option<String>,
    #[serde(rename = "do")]
    action: Option<String>,
    evidence: Option<Evidence>,
    provenance: Option<Vec<RawProvenance>>,
    taken: Option<Texts>,
    note: Option<String>,
    off: Option<bool>,
    all: Option<bool>,
    substances: Option<Texts>,
    only: Option<Texts>,
    except: Option<Texts>,
    families: Option<Texts>,
    genera: Option<Texts>,
    categories: Option<Texts>,
    actions: Option<Texts>,
    toxicity: Option<Vec<Toxicity>>,
    pregnancy: Option<Vec<Pregnancy>>,
    kinds: Option<Vec<Kind>>,
    with: Option<Spanned<Texts>>,
    with_only: Option<Spanned<Texts>>,
    deliberate: Option<Spanned<Vec<RawDeliberate>>>,
    when: Option<Spanned<Texts>>,
    above: Option<Text>,
    medicines: Option<Spanned<Texts>>,
    days: Option<Spanned<u32>>,
    laws: Option<Spanned<Texts>>,
    constituent: Option<Text>,
    limit: Option<Text>,
    contents: Option<Spanned<Vec<RawContent>>>,
    extracted: Option<Text>,
    pot: Option<Spanned<Pot>>,
    over: Option<Text>,
    method: Option<Spanned<ChildMethod>>,
    what: Option<Text>,
}

const SAFETY: &str = "a file under safety/";
const SHAPE: &str = "see data/README.md, \"safety/*.toml\"";

/// A field that only rules of some kinds have, and where it stands.
type OwnField = (&'static str, Option<Bytes<usize>>, &'static [RuleKind]);

/// What is known when rules are read, to check what they name.
pub(crate) struct Known {
    pub(crate) substances: BTreeMap<String, ()>,
    pub(crate) formulas: BTreeMap<String, ()>,
    pub(crate) families: BTreeMap<String, ()>,
    pub(crate) genera: BTreeMap<String, ()>,
}

impl Known {
    pub(crate) fn of(library: &Library) -> Known {
        let ids = |ids: &mut dyn Iterator<Item = &String>| ids.map(|i| (i.clone(), ())).collect();
        Known {
            substances: ids(&mut library.substances.iter().map(|s| &s.id)),
            formulas: ids(&mut library.formulas.iter().map(|f| &f.id)),
            families: ids(&mut library.substances.iter().map(|s| &s.family)),
            genera: library
                .substances
                .iter()
                .flat_map(|s| &s.species)
                .filter_map(|s| Some((s.split(' ').next()?.to_string(), ())))
                .collect(),
        }
    }
}

/// Two ends of a range of numbers such as `2-4`.
fn ends(r: &mut Reader<'_>, text: &Text) -> Option<(Rational, Rational)> {
    let (least, most) = text.get_ref().split_once('-').unwrap_or((text.get_ref(), text.get_ref()));
    match (least.trim().parse::<Rational>(), most.trim().parse::<Rational>()) {
        (Ok(a), Ok(b)) if a <= b => Some((a, b)),
        (Ok(_), Ok(_)) => {
            r.problem(text.span(), format!("`{}` runs from more to less", text.get_ref()), "write the smaller first");
            None
        }
        (Err(e), _) | (_, Err(e)) => {
            r.problem(text.span(), e.to_string(), "write one number or two with a hyphen, such as `2-4`");
            None
        }
    }
}

/// Grams of a text such as `9 g`, `100 mg`, `1 ug`.
fn grams(r: &mut Reader<'_>, text: &Text) -> Option<Rational> {
    let parts = text.get_ref().rsplit_once(' ');
    let scale = parts.and_then(|(_, unit)| match unit {
        "g" => Some(1),
        "mg" => Some(1000),
        "ug" => Some(1_000_000),
        _ => None,
    });
    match (parts.and_then(|(n, _)| n.parse::<Rational>().ok()), scale) {
        (Some(n), Some(scale)) => n.over(Rational::from(scale)),
        _ => {
            let what = format!("`{}` is not a weight", text.get_ref());
            r.problem(text.span(), what, "write a number, a space and g, mg or ug, such as `100 mg`");
            None
        }
    }
}

impl SafetyData {
    /// Checks what the condition, class or medicine of this id names.
    pub(crate) fn check_word(&self, id: &str, r: &mut Reader<'_>) {
        let at = r.file.text.find(id).unwrap_or(0);
        let mut check = |named: &[String], known: &dyn Fn(&str) -> bool, what: &str| {
            for name in named.iter().filter(|n| !known(n)) {
                let what = format!("`{id}` names `{name}`, which is no {what}");
                r.problem(at..at + id.len(), what, format!("use an id of {SAFETY}, or add it there"));
            }
        };
        let class = |n: &str| self.classes.contains_key(n);
        if let Some(c) = self.conditions.get(id) {
            check(&c.implies, &|n| self.conditions.contains_key(n), "condition");
        }
        if let Some(c) = self.classes.get(id) {
            check(&c.within, &class, "class of medicines");
        }
        if let Some(m) = self.medicines.get(id) {
            check(&m.classes, &class, "class of medicines");
        }
    }

    /// Reads one rule over what is here.
    pub(crate) fn take_rule(
        &mut self,
        raw: Spanned<RawRule>,
        r: &mut Reader<'_>,
        known: &Known,
        library: &Library,
        seen: &mut BTreeSet<String>,
    ) {
        let span = raw.span();
        let raw = raw.into_inner();
        let before = r.problems.len();
        r.id(&raw.id);
        let id = raw.id.get_ref().clone();
        if !seen.insert(id.clone()) {
            r.problem(raw.id.span(), format!("rule `{id}` stands twice"), "keep one, or give one another id");
            return;
        }
        let at = self.rules.iter().position(|x| x.id == id);
        let old = at.map(|i| self.rules[i].clone());
        macro_rules! needed {
            ($value:expr, $field:literal, $old:expr) => {
                match ($value, &old) {
                    (Some(v), _) => Some(v),
                    (None, Some(o)) => Some($old(o)),
                    (None, None) => {
                        r.missing(span.clone(), &id, $field);
                        None
                    }
                }
            };
        }
        let kind = raw.kind.as_ref().map(|k| *k.get_ref()).or(old.as_ref().map(|o| o.test.kind()));
        // Fields that only some kinds have.
        use RuleKind as K;
        let own: [OwnField; 15] = [
            ("with", raw.with.as_ref().map(Spanned::span), &[K::Pair]),
            ("with_only", raw.with_only.as_ref().map(Spanned::span), &[K::Pair]),
            ("deliberate", raw.deliberate.as_ref().map(Spanned::span), &[K::Pair]),
            ("when", raw.when.as_ref().map(Spanned::span), &[K::Patient, K::Total]),
            ("above", raw.above.as_ref().map(Spanned::span), &[K::Patient, K::Medicine]),
            ("medicines", raw.medicines.as_ref().map(Spanned::span), &[K::Medicine]),
            ("days", raw.days.as_ref().map(Spanned::span), &[K::Duration, K::Total]),
            ("laws", raw.laws.as_ref().map(Spanned::span), &[K::Law]),
            ("constituent", raw.constituent.as_ref().map(Spanned::span), &[K::Total]),
            ("limit", raw.limit.as_ref().map(Spanned::span), &[K::Total]),
            ("contents", raw.contents.as_ref().map(Spanned::span), &[K::Total]),
            ("extracted", raw.extracted.as_ref().map(Spanned::span), &[K::Total]),
            ("pot", raw.pot.as_ref().map(Spanned::span), &[K::Pot]),
            ("method", raw.method.as_ref().map(Spanned::span), &[K::Child]),
            ("what", raw.what.as_ref().map(Spanned::span), &[K::Double, K::Whole, K::Unchecked]),
        ];
        for (field, here, kinds) in own {
            if let (Some(here), Some(kind)) = (here, kind)
                && !kinds.contains(&kind)
            {
                let of: Vec<&str> = kinds.iter().map(|k| k.word()).collect();
                r.problem(
                    here,
                    format!("`{field}` does not belong in a rule of kind `{kind}`"),
                    format!("it belongs in: {}; take it out or change `kind`", of.join(", ")),
                );
            }
        }
        let list = |ids: Option<Texts>, known: &BTreeMap<String, ()>, what: &str, place: &str, r: &mut Reader<'_>| {
            ids.map(|ids| r.known(ids, known, what, place))
        };
        const MATERIA: &str = "a file under materia/";
        let selected = [&raw.substances, &raw.only, &raw.families, &raw.genera, &raw.categories, &raw.actions]
            .iter()
            .any(|s| s.is_some())
            || raw.toxicity.is_some()
            || raw.pregnancy.is_some()
            || raw.kinds.is_some()
            || raw.all.is_some();
        let substances = list(raw.substances, &known.substances, "substance", MATERIA, r);
        let only = list(raw.only, &known.substances, "substance", MATERIA, r);
        let except = list(raw.except, &known.substances, "substance", MATERIA, r);
        let families = list(raw.families, &known.families, "family", "a record of materia/ (field `family`)", r);
        let genera = list(raw.genera, &known.genera, "genus", "a record of materia/ (field `species`)", r);
        let categories =
            raw.categories.map(|c| r.known(c, &library.substance_shelves, "category", "vocabulary/categories.toml"));
        let actions = raw.actions.map(|c| r.known(c, &library.actions, "action", "vocabulary/actions.toml"));
        let selector = match (&old, selected) {
            (Some(o), false) => Selector { except: except.unwrap_or(o.selector.except.clone()), ..o.selector.clone() },
            _ => Selector {
                all: raw.all.unwrap_or_default(),
                substances: substances.unwrap_or_default(),
                only: only.unwrap_or_default(),
                except: except.unwrap_or_default(),
                families: families.unwrap_or_default(),
                genera: genera.unwrap_or_default(),
                categories: categories.unwrap_or_default(),
                actions: actions.unwrap_or_default(),
                toxicity: raw.toxicity.unwrap_or_default(),
                pregnancy: raw.pregnancy.unwrap_or_default(),
                kinds: raw.kinds.unwrap_or_default(),
            },
        };
        let needs_substances =
            !matches!(kind, Some(K::Total | K::Pot | K::Child | K::Double | K::Whole | K::Unchecked) | None);
        if needs_substances && selector == (Selector { except: selector.except.clone(), ..Selector::default() }) {
            r.problem(
                span.clone(),
                format!("rule `{id}` speaks of no substance"),
                "give `substances = […]` or another selector",
            );
        }
        let test = match kind {
            None => {
                r.missing(span.clone(), &id, "kind");
                None
            }
            Some(kind) => {
                let fields = Fields {
                    with: raw.with.map(Spanned::into_inner),
                    with_only: raw.with_only.map(Spanned::into_inner),
                    deliberate: raw.deliberate.map(Spanned::into_inner),
                    when: raw.when.map(Spanned::into_inner),
                    above: raw.above,
                    medicines: raw.medicines.map(Spanned::into_inner),
                    days: raw.days.map(Spanned::into_inner),
                    laws: raw.laws.map(Spanned::into_inner),
                    constituent: raw.constituent,
                    limit: raw.limit,
                    contents: raw.contents.map(Spanned::into_inner),
                    extracted: raw.extracted,
                    pot: raw.pot.map(Spanned::into_inner),
                    over: raw.over,
                    method: raw.method.map(Spanned::into_inner),
                    what: raw.what,
                };
                match &old {
                    Some(o) if fields.is_empty() && o.test.kind() == kind => Some(o.test.clone()),
                    _ => self.test(kind, fields, r, known, &span, &id),
                }
            }
        };
        let severity = raw.severity.map(|s| {
            let unchecked = kind == Some(K::Unchecked);
            if unchecked != (*s.get_ref() == Severity::NotChecked) {
                r.problem(
                    s.span(),
                    "`not checked` is the severity of the kind `unchecked`, and of no other".to_string(),
                    "use deadly, grave, caution or note for a rule that checks something",
                );
            }
            s.into_inner()
        });
        let severity = needed!(severity, "severity", |o: &Rule| o.severity);
        let title = needed!(raw.title, "title", |o: &Rule| o.title.clone());
        let topic = needed!(raw.topic.map(Spanned::into_inner), "topic", |o: &Rule| o.topic.clone());
        let reason = needed!(raw.reason, "reason", |o: &Rule| o.reason.clone());
        let action = needed!(raw.action, "do", |o: &Rule| o.action.clone());
        let evidence = needed!(raw.evidence, "evidence", |o: &Rule| o.evidence);
        let provenance = raw.provenance.map(|p| r.provenance(p, &library.sources)).filter(|p| !p.is_empty());
        let provenance = needed!(provenance, "provenance", |o: &Rule| o.provenance.clone());
        let mut outside = old.as_ref().is_some_and(|o| o.outside);
        let taken = match raw.taken {
            None => old.as_ref().map(|o| o.taken.clone()).unwrap_or_default(),
            Some(words) => {
                outside = words.iter().any(|w| matches!(w.get_ref().as_str(), "any" | "external"));
                words
                    .into_iter()
                    .filter(|w| w.get_ref() != "any")
                    .filter_map(|w| {
                        let form = Form::from_word(w.get_ref());
                        if form.is_none() {
                            r.problem(w.span(), format!("`{}` is no form", w.get_ref()), SHAPE);
                        }
                        form
                    })
                    .collect()
            }
        };
        let off = raw.off.or(old.as_ref().map(|o| o.off)).unwrap_or_default();
        if off && !r.file.own {
            r.problem(
                span.clone(),
                format!("rule `{id}` is switched off"),
                "delete it; only a clinic switches rules off",
            );
        }
        let note = raw.note.or(old.as_ref().and_then(|o| o.note.clone()));
        let place = r.place(span);
        let rule = (|| {
            Some(Rule {
                id,
                title: title?,
                severity: severity?,
                topic: topic?,
                reason: reason?,
                action: action?,
                evidence: evidence?,
                provenance: provenance?,
                taken,
                outside,
                selector,
                test: test?,
                off,
                note,
                place,
            })
        })();
        if let (Some(rule), true) = (rule, r.problems.len() == before) {
            match at {
                Some(i) => self.rules[i] = rule,
                None => self.rules.push(rule),
            }
        }
    }

    fn test(
        &self,
        kind: RuleKind,
        f: Fields,
        r: &mut Reader<'_>,
        known: &Known,
        span: &Bytes<usize>,
        id: &str,
    ) -> Option<Test> {
        macro_rules! must {
            ($field:ident) => {
                match f.$field {
                    Some(v) => v,
                    None => {
                        r.missing(span.clone(), id, stringify!($field));
                        return None;
                    }
                }
            };
        }
        let conditions = |ids: Option<Texts>, r: &mut Reader<'_>| {
            r.known(ids.unwrap_or_default(), &self.conditions, "condition", SAFETY)
        };
        Some(match kind {
            RuleKind::Pair => {
                if f.with.is_none() && f.with_only.is_none() {
                    r.missing(span.clone(), id, "with");
                }
                Test::Pair {
                    with: r.known(f.with.unwrap_or_default(), &known.substances, "substance", "a file under materia/"),
                    with_only: r.known(
                        f.with_only.unwrap_or_default(),
                        &known.substances,
                        "substance",
                        "a file under materia/",
                    ),
                    deliberate: f
                        .deliberate
                        .unwrap_or_default()
                        .into_iter()
                        .filter_map(|d| {
                            let formula =
                                r.known(vec![d.formula], &known.formulas, "formula", "a file under formulas/").pop()?;
                            Some(Deliberate { formula, why: d.why })
                        })
                        .collect(),
                }
            }
            RuleKind::Present => Test::Present,
            RuleKind::Patient => {
                let when = must!(when);
                Test::Patient { when: conditions(Some(when), r), above: f.above.and_then(|a| grams(r, &a)) }
            }
            RuleKind::Medicine => {
                let ids = must!(medicines);
                let all: BTreeMap<String, ()> =
                    self.classes.keys().chain(self.medicines.keys()).map(|k| (k.clone(), ())).collect();
                let medicines = r.known(ids, &all, "medicine or class", SAFETY);
                Test::Medicine { medicines, above: f.above.and_then(|a| grams(r, &a)) }
            }
            RuleKind::Duration => Test::Duration { days: must!(days) },
            RuleKind::Law => {
                let laws = must!(laws);
                Test::Law { laws: r.known(laws, &self.jurisdictions, "jurisdiction", SAFETY) }
            }
            RuleKind::Total => {
                let limit = must!(limit);
                let contents = must!(contents);
                Test::Total {
                    constituent: must!(constituent).into_inner(),
                    limit: grams(r, &limit)?,
                    contents: contents
                        .into_iter()
                        .filter_map(|c| {
                            let (least, most) = ends(r, &c.percent)?;
                            let substance =
                                r.known(vec![c.s], &known.substances, "substance", "a file under materia/").pop()?;
                            Some(Content { substance, least, most, forms: c.forms, note: c.note, how: c.how })
                        })
                        .collect(),
                    extracted: f.extracted.and_then(|e| ends(r, &e)),
                    when: conditions(f.when, r),
                    days: f.days,
                }
            }
            RuleKind::Pot => Test::Pot { pot: must!(pot) },
            RuleKind::Dose => {
                let over = must!(over);
                Test::Dose { over: r.parsed(&over)? }
            }
            RuleKind::Child => Test::Child { method: must!(method) },
            RuleKind::Double => Test::Double { what: word(r, must!(what), Doubled::from_word, Doubled::ALL)? },
            RuleKind::Whole => {
                let over = must!(over);
                let over = r.parsed(&over)?;
                Test::Whole { measure: word(r, must!(what), Measure::from_word, Measure::ALL)?, over }
            }
            RuleKind::Unchecked => Test::Unchecked { what: word(r, must!(what), Gap::from_word, Gap::ALL)? },
        })
    }
}

fn word<T: std::fmt::Display>(
    r: &mut Reader<'_>,
    text: Text,
    parse: impl Fn(&str) -> Option<T>,
    all: &[T],
) -> Option<T> {
    let value = parse(text.get_ref());
    if value.is_none() {
        let words: Vec<String> = all.iter().map(ToString::to_string).collect();
        r.problem(text.span(), format!("`{}` is not known here", text.get_ref()), format!("use {}", words.join(", ")));
    }
    value
}

struct Fields {
    with: Option<Texts>,
    with_only: Option<Texts>,
    deliberate: Option<Vec<RawDeliberate>>,
    when: Option<Texts>,
    above: Option<Text>,
    medicines: Option<Texts>,
    days: Option<u32>,
    laws: Option<Texts>,
    constituent: Option<Text>,
    limit: Option<Text>,
    contents: Option<Vec<RawContent>>,
    extracted: Option<Text>,
    pot: Option<Pot>,
    over: Option<Text>,
    method: Option<ChildMethod>,
    what: Option<Text>,
}

impl Fields {
    fn is_empty(&self) -> bool {
        self.with.is_none()
            && self.with_only.is_none()
            && self.deliberate.is_none()
            && self.when.is_none()
            && self.above.is_none()
            && self.medicines.is_none()
            && self.days.is_none()
            && self.laws.is_none()
            && self.constituent.is_none()
            && self.limit.is_none()
            && self.contents.is_none()
            && self.extracted.is_none()
            && self.pot.is_none()
            && self.over.is_none()
            && self.method.is_none()
            && self.what.is_none()
    }
}
