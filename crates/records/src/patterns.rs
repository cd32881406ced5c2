//! Findings, red flags and patterns, and the reading of their TOML.

use std::collections::{BTreeMap, BTreeSet};

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use toml::Spanned;

use crate::model::*;
use crate::read::{RawProvenance, Reader, Text, Texts};

words! {
    /// What kind of thing a finding is.
    FindingKind {
        Symptom = "symptom", Sign = "sign", TongueBody = "tongue body", TongueCoating = "tongue coating",
        Pulse = "pulse", Modifier = "modifier", Circumstance = "circumstance",
    }
}
words! {
    /// How soon somebody has to be seen.
    Urgency { Now = "now", Today = "today", Soon = "soon" }
}
words! {
    /// The ordering of patterns that a pattern belongs to.
    PatternGroup {
        Organs = "organs", Channels = "six channels", Levels = "four levels", Burners = "three burners",
        Substances = "qi, blood and fluids", Pathogens = "pathogens", Women = "women", Children = "children",
        Outside = "outside of the body",
    }
}

/// One thing that is found: a symptom, a quality of tongue or pulse, what makes it better or worse.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Finding {
    /// Chinese term.
    pub zh: String,
    /// English term.
    pub en: String,
    /// What kind.
    pub kind: FindingKind,
    /// Other words for it.
    pub names: Vec<String>,
    /// Wider findings that it brings with it.
    pub implies: Vec<String>,
    /// Findings that contradict it.
    pub against: Vec<String>,
    /// File and line.
    pub place: Place,
}

/// Words that mean: refer now.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Flag {
    /// Stable id.
    pub id: String,
    /// Chinese term.
    pub zh: String,
    /// English term.
    pub en: String,
    /// Phrases, any of which raises it.
    pub names: Vec<String>,
    /// Ways to raise it: in each, lists of phrases of which each has to be met by one. A phrase that ends in `*` is met by
    /// every word that begins so.
    pub ways: Vec<Vec<Vec<String>>>,
    /// Only for these: adult, child, pregnant.
    pub who: Option<String>,
    /// What it may be.
    pub why: String,
    /// What to do.
    pub action: String,
    /// How soon.
    pub urgency: Urgency,
    /// Where it is from.
    pub provenance: Vec<Provenance>,
    /// File and line.
    pub place: Place,
}

/// What a formula is given for.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Signs {
    /// Findings by which it is recognised.
    pub key: Vec<String>,
    /// Further findings it is given for.
    pub may: Vec<String>,
    /// Findings for which only one of two readers gives it.
    pub seldom: Vec<String>,
    /// Findings that forbid it or speak for its neighbour.
    pub not: Vec<String>,
    /// Where it is from.
    pub provenance: Vec<Provenance>,
}

/// What works against a pattern.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, default)]
pub struct Unwanted {
    /// Actions that do harm in it.
    pub actions: Vec<String>,
    /// The way that nothing should move.
    pub tendency: Option<Tendency>,
    /// The side that nothing should lean to.
    pub nature: Option<Lean>,
}

/// A pattern.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Pattern {
    /// Chinese term.
    pub zh: String,
    /// English term.
    pub en: String,
    /// The ordering it belongs to.
    pub group: PatternGroup,
    /// Findings without which one hesitates to name it.
    pub cardinal: Vec<String>,
    /// Findings that are usually there.
    pub usual: Vec<String>,
    /// Findings that may be there.
    pub possible: Vec<String>,
    /// Findings that speak against it.
    pub contrary: Vec<String>,
    /// Patterns it grows from.
    pub from: Vec<String>,
    /// Patterns it grows into.
    pub into: Vec<String>,
    /// Treatment principle.
    pub principle: Option<Label>,
    /// Action ids it asks for.
    pub needs: Vec<String>,
    /// Where the qi has to be moved for it.
    pub direction: Option<Tendency>,
    /// The side that is wanted: `cold` wants cooling substances.
    pub nature: Option<Lean>,
    /// What works against it.
    pub unwanted: Unwanted,
    /// Where it is from.
    pub provenance: Vec<Provenance>,
    /// File and line.
    pub place: Place,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct RawFinding {
    id: Text,
    zh: Text,
    en: Text,
    kind: FindingKind,
    #[serde(default)]
    names: Texts,
    #[serde(default)]
    implies: Texts,
    #[serde(default)]
    against: Texts,
}

/// Words for one thing that several flags ask for.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct RawWording {
    pub(crate) id: String,
    pub(crate) words: Vec<String>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct RawFlag {
    id: Text,
    zh: String,
    en: String,
    #[serde(default)]
    names: Vec<String>,
    #[serde(default)]
    ways: Vec<Vec<Texts>>,
    who: Option<Text>,
    why: String,
    #[serde(rename = "do")]
    action: String,
    urgency: Urgency,
    provenance: Vec<RawProvenance>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct RawPattern {
    id: Text,
    zh: String,
    en: String,
    group: PatternGroup,
    #[serde(default)]
    cardinal: Texts,
    #[serde(default)]
    usual: Texts,
    #[serde(default)]
    possible: Texts,
    #[serde(default)]
    contrary: Texts,
    #[serde(default)]
    from: Texts,
    #[serde(default)]
    into: Texts,
    principle: Option<Label>,
    needs: Texts,
    direction: Option<Tendency>,
    nature: Option<Lean>,
    #[serde(default)]
    unwanted: Unwanted,
    provenance: Vec<RawProvenance>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct RawSigns {
    formula: Text,
    #[serde(default)]
    key: Texts,
    #[serde(default)]
    may: Texts,
    #[serde(default)]
    seldom: Texts,
    #[serde(default)]
    not: Texts,
    provenance: Vec<RawProvenance>,
}

const FINDINGS: &str = "a file under findings/";
const PATTERNS: &str = "a file under patterns/";

impl Library {
    pub(crate) fn take_finding(&mut self, raw: Spanned<RawFinding>, r: &mut Reader<'_>, late: &mut Vec<(Texts, u8)>) {
        let span = raw.span();
        let raw = raw.into_inner();
        r.id(&raw.id);
        late.push((raw.implies.iter().chain(&raw.against).cloned().collect(), 0));
        let texts = |t: Texts| t.into_iter().map(Spanned::into_inner).collect();
        let finding = Finding {
            zh: raw.zh.into_inner(),
            en: raw.en.into_inner(),
            kind: raw.kind,
            names: texts(raw.names),
            implies: texts(raw.implies),
            against: texts(raw.against),
            place: r.place(span),
        };
        self.findings.insert(raw.id.into_inner(), finding);
    }

    pub(crate) fn take_flag(&mut self, raw: Spanned<RawFlag>, r: &mut Reader<'_>) {
        let span = raw.span();
        let raw = raw.into_inner();
        r.id(&raw.id);
        if raw.names.is_empty() && raw.ways.is_empty() {
            r.problem(span.clone(), format!("`{}` has no words", raw.id.get_ref()), "give `names` or `ways`");
        }
        let mut ways = Vec::with_capacity(raw.ways.len());
        for way in raw.ways {
            let lists: Vec<Vec<String>> = way.into_iter().map(|list| self.worded(list, r)).collect();
            if lists.iter().any(Vec::is_empty) || lists.is_empty() {
                r.problem(
                    span.clone(),
                    format!("`{}` has an empty list", raw.id.get_ref()),
                    "give it words or take it out",
                );
            } else {
                ways.push(lists);
            }
        }
        if let Some(who) = &raw.who
            && !matches!(who.get_ref().as_str(), "adult" | "child" | "pregnant")
        {
            r.problem(who.span(), format!("`{}` is nobody", who.get_ref()), "use adult, child or pregnant");
        }
        let flag = Flag {
            id: raw.id.into_inner(),
            zh: raw.zh,
            en: raw.en,
            names: raw.names,
            ways,
            who: raw.who.map(Spanned::into_inner),
            why: raw.why,
            action: raw.action,
            urgency: raw.urgency,
            provenance: r.provenance(raw.provenance, &self.sources),
            place: r.place(span),
        };
        self.flags.retain(|f| f.id != flag.id);
        self.flags.push(flag);
    }

    /// Phrases with every `@group` replaced by its words.
    fn worded(&self, list: Texts, r: &mut Reader<'_>) -> Vec<String> {
        let mut all = Vec::new();
        for text in list {
            match text.get_ref().strip_prefix('@') {
                None => all.push(text.into_inner()),
                Some(group) => match self.wordings.get(group) {
                    Some(words) => all.extend(words.iter().cloned()),
                    None => {
                        let what = format!("`@{group}` is no group of words");
                        r.problem(text.span(), what, "use the id of a [[wording]]");
                    }
                },
            }
        }
        all
    }

    pub(crate) fn take_pattern(&mut self, raw: Spanned<RawPattern>, r: &mut Reader<'_>, late: &mut Vec<(Texts, u8)>) {
        let span = raw.span();
        let raw = raw.into_inner();
        r.id(&raw.id);
        for list in [&raw.cardinal, &raw.usual, &raw.possible, &raw.contrary] {
            late.push((list.clone(), 0));
        }
        late.push((raw.from.iter().chain(&raw.into).cloned().collect(), 1));
        let needs = r.known(raw.needs, &self.actions, "action", "vocabulary/actions.toml");
        for action in raw.unwanted.actions.iter().filter(|a| !self.actions.contains_key(*a)) {
            let what = format!("`{}` does not want `{action}`, which is no action", raw.id.get_ref());
            r.problem(span.clone(), what, "use an id of vocabulary/actions.toml");
        }
        let mut seen: BTreeSet<String> = BTreeSet::new();
        let mut texts = |t: Texts, r: &mut Reader<'_>, once: bool| -> Vec<String> {
            t.into_iter()
                .map(|t| {
                    if once && !seen.insert(t.get_ref().clone()) {
                        let what = format!("`{}` stands in two lists of this pattern", t.get_ref());
                        r.problem(t.span(), what, "keep it in one of cardinal, usual, possible, contrary");
                    }
                    t.into_inner()
                })
                .collect()
        };
        let pattern = Pattern {
            zh: raw.zh,
            en: raw.en,
            group: raw.group,
            cardinal: texts(raw.cardinal, r, true),
            usual: texts(raw.usual, r, true),
            possible: texts(raw.possible, r, true),
            contrary: texts(raw.contrary, r, true),
            from: texts(raw.from, r, false),
            into: texts(raw.into, r, false),
            principle: raw.principle,
            needs,
            direction: raw.direction,
            nature: raw.nature,
            unwanted: raw.unwanted,
            provenance: r.provenance(raw.provenance, &self.sources),
            place: r.place(span),
        };
        self.patterns.insert(raw.id.into_inner(), pattern);
    }

    pub(crate) fn take_signs(&mut self, raw: Spanned<RawSigns>, r: &mut Reader<'_>, late: &mut Vec<(Texts, u8)>) {
        let raw = raw.into_inner();
        late.extend([&raw.key, &raw.may, &raw.seldom, &raw.not].map(|list| (list.clone(), 0)));
        late.push((vec![raw.formula.clone()], 2));
        let texts = |t: Texts| t.into_iter().map(Spanned::into_inner).collect();
        let signs = Signs {
            key: texts(raw.key),
            may: texts(raw.may),
            seldom: texts(raw.seldom),
            not: texts(raw.not),
            provenance: r.provenance(raw.provenance, &self.sources),
        };
        self.signs.insert(raw.formula.into_inner(), signs);
    }

    /// Checks what findings (0), patterns (1) and formulas (2) were named before all were in.
    pub(crate) fn check_named(&self, ids: Texts, kind: u8, r: &mut Reader<'_>) {
        match kind {
            0 => r.known(ids, &self.findings, "finding", FINDINGS),
            1 => r.known(ids, &self.patterns, "pattern", PATTERNS),
            _ => {
                let formulas: BTreeMap<String, ()> = self.formulas.iter().map(|f| (f.id.clone(), ())).collect();
                r.known(ids, &formulas, "formula", "a file under formulas/")
            }
        };
    }

    /// Words that name two findings.
    pub(crate) fn check_finding_names(&self, mut say: impl FnMut(&Place, String, &str)) {
        let mut names: BTreeMap<String, &str> = BTreeMap::new();
        for (id, f) in self.findings.iter() {
            let own: BTreeSet<String> = [&f.zh, &f.en].into_iter().chain(&f.names).map(|n| n.to_lowercase()).collect();
            for name in own {
                if let Some(other) = names.insert(name.clone(), id)
                    && other != id
                {
                    say(&f.place, format!("`{name}` names both `{other}` and `{id}`"), "take it off one of them");
                }
            }
        }
    }
}
