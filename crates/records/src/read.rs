use std::collections::{BTreeMap, BTreeSet};
use std::fmt;
use std::ops::Range as Bytes;

use fangwright_amount::{Amount, Convention, Era, Range, Unit};
use rapidfuzz::distance::levenshtein;
use serde::Deserialize;
use serde::de::DeserializeOwned;
use toml::Spanned;

use crate::dispensing::{
    Absorption, Advice, Cooking, GranuleRatio, Handling, LongBoil, Phrase, PotFigures, Preparation, RawDispensing,
    TinctureStrength, Vessel,
};
use crate::model::*;
use crate::patterns::{RawFinding, RawFlag, RawPattern, RawSigns, RawWording};
use crate::rules::{Condition, Jurisdiction, Known, Medicine, MedicineClass, RawRule};

/// One file of data: its name below the data folder, and its text.
#[derive(Debug, Clone)]
pub struct DataFile {
    /// Path below the data folder, with `/`.
    pub name: String,
    /// The whole text.
    pub text: String,
    /// Whether it is the practitioner's own.
    pub own: bool,
}

impl DataFile {
    /// A file that ships with the program.
    pub fn new(name: &str, text: &str) -> DataFile {
        DataFile { name: name.into(), text: text.into(), own: false }
    }
}

/// Something wrong in a data file: where, what, and how to mend it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Problem {
    /// File name.
    pub file: String,
    /// Line, from 1.
    pub line: u32,
    /// Column in characters, from 1.
    pub column: u32,
    /// What is wrong.
    pub what: String,
    /// How to mend it.
    pub mend: String,
}

impl fmt::Display for Problem {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}:{}:{}: {}; {}", self.file, self.line, self.column, self.what, self.mend)
    }
}

pub(crate) type Text = Spanned<String>;
pub(crate) type Texts = Vec<Spanned<String>>;

#[derive(Deserialize, Default)]
#[serde(deny_unknown_fields)]
struct File {
    #[serde(default)]
    sources: BTreeMap<String, Source>,
    #[serde(default)]
    actions: BTreeMap<String, Action>,
    #[serde(default)]
    substances: BTreeMap<String, Label>,
    #[serde(default)]
    formulas: BTreeMap<String, Label>,
    #[serde(default)]
    substance: Vec<Spanned<RawSubstance>>,
    #[serde(default)]
    formula: Vec<Spanned<RawFormula>>,
    #[serde(default)]
    ambiguous: Vec<Spanned<RawAmbiguous>>,
    #[serde(default)]
    units: BTreeMap<String, Spanned<Vec<String>>>,
    #[serde(default)]
    convention: Vec<Spanned<RawConvention>>,
    #[serde(default)]
    piece: Vec<Spanned<RawPiece>>,
    costs: Option<Costs>,
    judging: Option<Judging>,
    modifying: Option<Modifying>,
    words: Option<Words>,
    traditional: Option<Text>,
    #[serde(default)]
    conditions: BTreeMap<String, Condition>,
    #[serde(default)]
    classes: BTreeMap<String, MedicineClass>,
    #[serde(default)]
    medicines: BTreeMap<String, Medicine>,
    #[serde(default)]
    jurisdictions: BTreeMap<String, Jurisdiction>,
    #[serde(default)]
    rule: Vec<Spanned<RawRule>>,
    #[serde(default)]
    finding: Vec<Spanned<RawFinding>>,
    #[serde(default)]
    flag: Vec<Spanned<RawFlag>>,
    #[serde(default)]
    wording: Vec<RawWording>,
    #[serde(default)]
    pattern: Vec<Spanned<RawPattern>>,
    #[serde(default)]
    presentation: Vec<Spanned<RawSigns>>,
    pot: Option<PotFigures>,
    #[serde(default)]
    absorption: Vec<Absorption>,
    #[serde(default)]
    cooking: Vec<Cooking>,
    #[serde(default)]
    long_boil: Vec<LongBoil>,
    #[serde(default)]
    handling: Vec<Handling>,
    #[serde(default)]
    vessel: Vec<Vessel>,
    #[serde(default)]
    preparation: Vec<Preparation>,
    #[serde(default)]
    granule: Vec<GranuleRatio>,
    #[serde(default)]
    tincture_strength: Vec<TinctureStrength>,
    #[serde(default)]
    phrase: Vec<Phrase>,
    #[serde(default)]
    advice: Vec<Advice>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct RawSubstance {
    id: Text,
    hanzi: Option<Text>,
    traditional: Option<Text>,
    pinyin: Option<Text>,
    latin: Option<Text>,
    english: Option<Text>,
    kind: Option<Kind>,
    species: Option<Vec<String>>,
    family: Option<String>,
    part: Option<String>,
    category: Option<Text>,
    old: Option<Texts>,
    regional: Option<Texts>,
    trade: Option<Texts>,
    nature: Option<Nature>,
    flavours: Option<Texts>,
    channels: Option<Vec<Channel>>,
    tendency: Option<Spanned<Vec<Tendency>>>,
    actions: Option<Texts>,
    dose: Option<RawDose>,
    toxicity: Option<Toxicity>,
    pregnancy: Option<Pregnancy>,
    pot: Option<Vec<Pot>>,
    parent: Option<Text>,
    process: Option<Process>,
    swap: Option<Texts>,
    note: Option<String>,
    provenance: Option<Vec<RawProvenance>>,
    review: Option<Review>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct RawDose {
    decoction: Option<Text>,
    powder: Option<Text>,
    pill: Option<Text>,
    #[serde(default)]
    external: bool,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct RawProvenance {
    source: Text,
    #[serde(default, rename = "where")]
    at: String,
    how: How,
    #[serde(default)]
    fields: Vec<String>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct RawSource {
    book: Text,
    #[serde(default, rename = "where")]
    at: String,
    year: i32,
    how: How,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct RawIngredient {
    s: Text,
    #[serde(default)]
    written: String,
    #[serde(default)]
    prep: String,
    amount: Option<Text>,
    grams: Option<Text>,
    role: Role,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct RawChange {
    from: Texts,
    #[serde(default)]
    add: Texts,
    #[serde(default)]
    remove: Texts,
    #[serde(default)]
    redose: Texts,
    said: String,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct RawFormula {
    id: Text,
    hanzi: Option<Text>,
    traditional: Option<Text>,
    pinyin: Option<Text>,
    english: Option<Text>,
    #[serde(default)]
    aliases: Vec<String>,
    form: Option<Form>,
    category: Option<Text>,
    source: Option<RawSource>,
    measures: Option<Era>,
    ingredients: Option<Vec<RawIngredient>>,
    actions: Option<Texts>,
    patterns: Option<Texts>,
    findings: Option<Vec<String>>,
    tongue: Option<Vec<String>>,
    pulse: Option<Vec<String>>,
    cautions: Option<Vec<String>>,
    change: Option<RawChange>,
    #[serde(default)]
    provenance: Vec<RawProvenance>,
    review: Option<Review>,
    note: Option<String>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct RawAmbiguous {
    name: Text,
    #[serde(default)]
    also: Vec<String>,
    pinyin: String,
    candidates: Texts,
    tells: String,
    #[serde(default)]
    hazard: String,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct RawConvention {
    id: Text,
    era: Era,
    name: String,
    liang: Text,
    sheng: Option<Text>,
    source: Text,
    how: How,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct RawPiece {
    substance: Text,
    unit: Text,
    era: Option<Era>,
    grams: Text,
    source: Text,
    how: How,
}

pub(crate) struct Reader<'a> {
    pub(crate) file: &'a DataFile,
    pub(crate) problems: Vec<Problem>,
}

impl Reader<'_> {
    fn at(&self, span: Bytes<usize>) -> (u32, u32) {
        let before = self.file.text.get(..span.start).unwrap_or(&self.file.text);
        let line = before.matches('\n').count() as u32 + 1;
        let column = before.rsplit('\n').next().unwrap_or("").chars().count() as u32 + 1;
        (line, column)
    }

    pub(crate) fn problem(&mut self, span: Bytes<usize>, what: impl Into<String>, mend: impl Into<String>) {
        let (line, column) = self.at(span);
        self.problems.push(Problem {
            file: self.file.name.clone(),
            line,
            column,
            what: what.into(),
            mend: mend.into(),
        });
    }

    pub(crate) fn place(&self, span: Bytes<usize>) -> Place {
        Place { file: self.file.name.clone(), line: self.at(span).0, own: self.file.own }
    }

    /// Checks that each of `ids` is in `known`; gives them as plain texts.
    pub(crate) fn known<T>(&mut self, ids: Texts, known: &BTreeMap<String, T>, what: &str, list: &str) -> Vec<String> {
        ids.into_iter()
            .map(|id| {
                if !known.contains_key(id.get_ref().as_str()) {
                    let near = nearest(id.get_ref(), known.keys());
                    let mend = match near {
                        Some(near) => format!("write `{near}` if that is meant, or add it to {list}"),
                        None => format!("add it to {list}"),
                    };
                    self.problem(id.span(), format!("{what} `{}` is not known", id.get_ref()), mend);
                }
                id.into_inner()
            })
            .collect()
    }

    pub(crate) fn parsed<T: std::str::FromStr>(&mut self, text: &Text) -> Option<T>
    where
        T::Err: fmt::Display,
    {
        match text.get_ref().parse() {
            Ok(value) => Some(value),
            Err(error) => {
                self.problem(text.span(), error.to_string(), "correct the amount; see data/README.md");
                None
            }
        }
    }

    pub(crate) fn provenance(
        &mut self,
        raw: Vec<RawProvenance>,
        sources: &BTreeMap<String, Source>,
    ) -> Vec<Provenance> {
        raw.into_iter()
            .map(|p| {
                self.source_id(&p.source, sources);
                Provenance { source: p.source.into_inner(), at: p.at, how: p.how, fields: p.fields }
            })
            .collect()
    }

    fn source_id(&mut self, id: &Text, sources: &BTreeMap<String, Source>) {
        if !sources.contains_key(id.get_ref().as_str()) {
            self.problem(
                id.span(),
                format!("source `{}` is not known", id.get_ref()),
                "add it to sources.toml with title, author and year",
            );
        }
    }

    pub(crate) fn id(&mut self, id: &Text) {
        let good = !id.get_ref().is_empty()
            && id.get_ref().bytes().all(|b| b.is_ascii_lowercase() || b.is_ascii_digit() || matches!(b, b'-' | b'.'));
        if !good {
            self.problem(
                id.span(),
                format!("`{}` is not an id", id.get_ref()),
                "use lower-case letters, digits and hyphens, such as `huang-qi`",
            );
        }
    }

    pub(crate) fn missing(&mut self, span: Bytes<usize>, id: &str, field: &str) {
        self.problem(span, format!("`{id}` has no `{field}`"), format!("add `{field} = …`; see data/README.md"));
    }
}

/// The id that was probably meant.
fn nearest<'a>(word: &str, known: impl Iterator<Item = &'a String>) -> Option<&'a str> {
    let distance = |k: &str| levenshtein::distance(word.chars(), k.chars());
    known.map(|k| (distance(k), k.as_str())).filter(|(d, _)| *d <= 1 + word.len() / 4).min().map(|(_, k)| k)
}

fn plain(texts: Texts) -> Vec<String> {
    texts.into_iter().map(Spanned::into_inner).collect()
}

fn parse<T: DeserializeOwned>(file: &DataFile) -> Result<T, Problem> {
    toml::from_str(&file.text).map_err(|error| {
        let reader = Reader { file, problems: Vec::new() };
        let (line, column) = reader.at(error.span().unwrap_or(0..0));
        Problem {
            file: file.name.clone(),
            line,
            column,
            what: error.message().to_string(),
            mend: "correct this place; data/README.md shows the shape of each record".into(),
        }
    })
}

/// Order of reading: vocabulary before what uses it.
fn rank(file: &File) -> u8 {
    if !file.formula.is_empty() {
        3
    } else if !file.substance.is_empty() {
        2
    } else {
        u8::from(
            !file.pattern.is_empty()
                || !file.flag.is_empty()
                || !file.wording.is_empty()
                || !file.presentation.is_empty()
                || !file.piece.is_empty()
                || !file.convention.is_empty(),
        )
    }
}

impl Library {
    /// Reads `files` over what is already here. A record whose id is known corrects it: fields that are not given
    /// keep their value. Whatever is wrong comes back, and leaves the record it concerns as it was.
    pub fn overlay(&mut self, files: &[DataFile]) -> Vec<Problem> {
        let mut problems = Vec::new();
        let mut parsed: Vec<(&DataFile, File)> = Vec::new();
        for file in files {
            match parse::<File>(file) {
                Ok(content) => parsed.push((file, content)),
                Err(problem) => problems.push(problem),
            }
        }
        parsed.sort_by_key(|(file, content)| (rank(content), file.name.clone()));
        for (_, content) in &mut parsed {
            for group in std::mem::take(&mut content.wording) {
                self.wordings.insert(group.id, group.words);
            }
        }
        let mut seen = BTreeSet::new();
        let mut late = Vec::new();
        let mut rules = Vec::new();
        let mut vocabulary = Vec::new();
        let mut names = Vec::new();
        let mut dispensing = Vec::new();
        for (file, mut content) in parsed {
            let mut reader = Reader { file, problems: Vec::new() };
            let mut named = Vec::new();
            for raw in std::mem::take(&mut content.finding) {
                self.take_finding(raw, &mut reader, &mut named);
            }
            for raw in std::mem::take(&mut content.flag) {
                self.take_flag(raw, &mut reader);
            }
            for raw in std::mem::take(&mut content.pattern) {
                self.take_pattern(raw, &mut reader, &mut named);
            }
            for raw in std::mem::take(&mut content.presentation) {
                self.take_signs(raw, &mut reader, &mut named);
            }
            names.extend(named.into_iter().map(|n| (file, n)));
            let raw = RawDispensing {
                pot: std::mem::take(&mut content.pot),
                absorption: std::mem::take(&mut content.absorption),
                cooking: std::mem::take(&mut content.cooking),
                long_boil: std::mem::take(&mut content.long_boil),
                handling: std::mem::take(&mut content.handling),
                vessel: std::mem::take(&mut content.vessel),
                preparation: std::mem::take(&mut content.preparation),
                granule: std::mem::take(&mut content.granule),
                tincture_strength: std::mem::take(&mut content.tincture_strength),
                phrase: std::mem::take(&mut content.phrase),
                advice: std::mem::take(&mut content.advice),
            };
            let (substances, actions, sources) = raw.references();
            let kinds = [(substances, "substance"), (actions, "action"), (sources, "source")];
            let owned = |(ids, kind): (Vec<&str>, &'static str)| (ids.iter().map(|s| s.to_string()).collect(), kind);
            dispensing.extend(kinds.map(owned).map(|(ids, kind): (Vec<String>, _)| (file, ids, kind)));
            raw.over(&mut self.dispensing);
            rules.extend(std::mem::take(&mut content.rule).into_iter().map(|rule| (file, rule)));
            vocabulary.extend(content.conditions.keys().chain(content.classes.keys()).map(|id| (file, id.clone())));
            vocabulary.extend(content.medicines.keys().map(|id| (file, id.clone())));
            late.extend(self.take(content, &mut reader, &mut seen).into_iter().map(|l| (file, l)));
            problems.append(&mut reader.problems);
        }
        // References between records, once all are in.
        let substances: BTreeMap<String, ()> = self.substances.iter().map(|s| (s.id.clone(), ())).collect();
        let mut bad_formulas = BTreeSet::new();
        for (file, (ids, formula)) in late {
            let mut reader = Reader { file, problems: Vec::new() };
            reader.known(ids, &substances, "substance", "a file under materia/");
            if let (Some(id), false) = (formula, reader.problems.is_empty()) {
                bad_formulas.insert(id);
            }
            problems.append(&mut reader.problems);
        }
        self.formulas.retain(|f| !bad_formulas.contains(&f.id));
        problems.extend(self.check_whole(files));
        for (file, (ids, kind)) in names {
            let mut reader = Reader { file, problems: Vec::new() };
            self.check_named(ids, kind, &mut reader);
            problems.append(&mut reader.problems);
        }
        for (file, ids, kind) in dispensing {
            for id in ids {
                let known = match kind {
                    "substance" => substances.contains_key(&id),
                    "action" => self.actions.contains_key(&id),
                    _ => self.sources.contains_key(&id),
                };
                if !known {
                    let at = file.text.find(&format!("\"{id}\"")).unwrap_or_default();
                    let mut reader = Reader { file, problems: Vec::new() };
                    reader.problem(at..at, format!("`{id}` is no {kind}"), "use the id of one, or take it out");
                    problems.append(&mut reader.problems);
                }
            }
        }
        // Rules last: they may name anything.
        for (file, id) in vocabulary {
            let mut reader = Reader { file, problems: Vec::new() };
            self.safety.check_word(&id, &mut reader);
            problems.append(&mut reader.problems);
        }
        let known = Known::of(self);
        let mut safety = std::mem::take(&mut self.safety);
        let mut seen = BTreeSet::new();
        for (file, rule) in rules {
            let mut reader = Reader { file, problems: Vec::new() };
            safety.take_rule(rule, &mut reader, &known, self, &mut seen);
            problems.append(&mut reader.problems);
        }
        self.safety = safety;
        problems
    }

    fn take(
        &mut self,
        content: File,
        r: &mut Reader<'_>,
        seen: &mut BTreeSet<(u8, String)>,
    ) -> Vec<(Texts, Option<String>)> {
        let mut late = Vec::new();
        self.sources.extend(content.sources);
        self.actions.extend(content.actions);
        self.substance_shelves.extend(content.substances);
        self.formula_shelves.extend(content.formulas);
        self.safety.conditions.extend(content.conditions);
        self.safety.classes.extend(content.classes);
        self.safety.medicines.extend(content.medicines);
        self.safety.jurisdictions.extend(content.jurisdictions);
        if content.judging.is_some() {
            self.judging = content.judging;
        }
        if content.modifying.is_some() {
            self.modifying = content.modifying;
        }
        if content.costs.is_some() {
            self.costs = content.costs;
        }
        for pair in content.traditional.iter().flat_map(|t| t.get_ref().split_whitespace().map(|p| (t.span(), p))) {
            let mut chars = pair.1.chars();
            match (chars.next(), chars.next(), chars.next()) {
                (Some(full), Some(plain), None) => self.traditional.push((full, plain)),
                _ => r.problem(
                    pair.0,
                    format!("`{}` is no pair of characters", pair.1),
                    "write the traditional and the simplified character together, a space between pairs",
                ),
            }
        }
        if let Some(words) = content.words {
            self.words = words;
        }
        for (word, spellings) in content.units {
            let Some(unit) = Unit::from_word(&word) else {
                r.problem(spellings.span(), format!("`{word}` is no unit"), "see data/README.md for the units");
                continue;
            };
            self.unit_spellings.extend(spellings.into_inner().into_iter().map(|s| (s, unit)));
        }
        for raw in content.convention {
            let raw = raw.into_inner();
            r.id(&raw.id);
            r.source_id(&raw.source, &self.sources);
            let liang = r.parsed(&raw.liang);
            let sheng = raw.sheng.as_ref().and_then(|s| r.parsed(s));
            if let Some(liang) = liang {
                let id = raw.id.into_inner();
                self.conventions.retain(|c| c.id != id);
                self.conventions.push(Convention {
                    id,
                    era: raw.era,
                    name: raw.name,
                    liang,
                    sheng,
                    source: raw.source.into_inner(),
                    how: raw.how.word().into(),
                });
            }
        }
        for raw in content.piece {
            let raw = raw.into_inner();
            r.source_id(&raw.source, &self.sources);
            let Some(unit) = Unit::from_word(raw.unit.get_ref()) else {
                r.problem(raw.unit.span(), format!("`{}` is no unit", raw.unit.get_ref()), "see data/README.md");
                continue;
            };
            if let Some(grams) = r.parsed(&raw.grams) {
                late.push((vec![raw.substance.clone()], None));
                let substance = raw.substance.into_inner();
                self.pieces.retain(|p| !(p.substance == substance && p.unit == unit && p.era == raw.era));
                self.pieces.push(PieceWeight {
                    substance,
                    unit,
                    era: raw.era,
                    grams,
                    source: raw.source.into_inner(),
                    how: raw.how,
                });
            }
        }
        for raw in content.ambiguous {
            let span = raw.span();
            let raw = raw.into_inner();
            late.push((raw.candidates.clone(), None));
            let entry = Ambiguous {
                name: raw.name.into_inner(),
                also: raw.also,
                pinyin: raw.pinyin,
                candidates: plain(raw.candidates),
                tells: raw.tells,
                hazard: raw.hazard,
                place: r.place(span),
            };
            self.ambiguous.retain(|a| a.name != entry.name);
            self.ambiguous.push(entry);
        }
        for raw in content.substance {
            self.take_substance(raw, r, seen, &mut late);
        }
        for raw in content.formula {
            self.take_formula(raw, r, seen, &mut late);
        }
        late
    }

    fn take_substance(
        &mut self,
        raw: Spanned<RawSubstance>,
        r: &mut Reader<'_>,
        seen: &mut BTreeSet<(u8, String)>,
        late: &mut Vec<(Texts, Option<String>)>,
    ) {
        let span = raw.span();
        let raw = raw.into_inner();
        let before = r.problems.len();
        r.id(&raw.id);
        let id = raw.id.get_ref().clone();
        if !seen.insert((0, id.clone())) {
            r.problem(
                raw.id.span(),
                format!("substance `{id}` stands twice"),
                "keep one record, or give one another id",
            );
            return;
        }
        let known = self.substances.iter().position(|s| s.id == id);
        let old = known.map(|i| self.substances[i].clone());
        // A field is needed unless a known record is being corrected.
        macro_rules! field {
            ($name:ident) => {
                field!($name, |v| v)
            };
            ($name:ident, $map:expr) => {
                match (raw.$name, &old) {
                    (Some(value), _) => Some(($map)(value)),
                    (None, Some(old)) => Some(old.$name.clone()),
                    (None, None) => {
                        r.missing(span.clone(), &id, stringify!($name));
                        None
                    }
                }
            };
        }
        if let Some(t) = &raw.tendency {
            let up = t.get_ref().iter().filter(|t| t.is_upward()).count();
            let n = t.get_ref().len();
            if !(n == 1 || n == 2 && up == 1) {
                r.problem(
                    t.span(),
                    "tendency must be one, or one upward and one downward",
                    "write one of rising, floating, falling, sinking, or one of the first two and one of the last two",
                );
            }
        }
        let text = |t: Text| t.into_inner();
        let hanzi = field!(hanzi, text);
        let pinyin = match &raw.pinyin {
            Some(p) => {
                let syllables = p.get_ref().split_whitespace().count();
                let written = hanzi.as_deref().map(|h: &str| h.chars().count());
                if written.is_some_and(|w| w != syllables) {
                    r.problem(
                        p.span(),
                        format!("`{}` has {syllables} syllables, the hanzi {}", p.get_ref(), written.unwrap_or(0)),
                        "write one syllable a character with a space between",
                    );
                }
                Some(p.get_ref().clone())
            }
            None => old.as_ref().map(|o| o.pinyin.clone()),
        };
        if pinyin.is_none() {
            r.missing(span.clone(), &id, "pinyin");
        }
        if let Some(c) = &raw.category
            && !self.substance_shelves.contains_key(c.get_ref().as_str())
        {
            r.problem(
                c.span(),
                format!("category `{}` is not known", c.get_ref()),
                "use a shelf of vocabulary/categories.toml",
            );
        }
        let actions = match raw.actions {
            Some(ids) => Some(r.known(ids, &self.actions, "action", "vocabulary/actions.toml")),
            None => old.as_ref().map(|o| o.actions.clone()),
        };
        if actions.is_none() {
            r.missing(span.clone(), &id, "actions");
        }
        let flavours = match raw.flavours {
            Some(list) => Some(
                list.into_iter()
                    .filter_map(|f| {
                        let word = f.get_ref().strip_prefix("slightly ");
                        let taste = Taste::from_word(word.unwrap_or(f.get_ref()));
                        if taste.is_none() {
                            r.problem(
                                f.span(),
                                format!("`{}` is no flavour", f.get_ref()),
                                "use acrid, sweet, sour, bitter, salty, bland or astringent, with `slightly` before it if so",
                            );
                        }
                        taste.map(|taste| Flavour { taste, slight: word.is_some() })
                    })
                    .collect(),
            ),
            None => old.as_ref().map(|o| o.flavours.clone()),
        };
        if flavours.is_none() {
            r.missing(span.clone(), &id, "flavours");
        }
        let dose = match raw.dose {
            Some(d) => {
                let mut range = |t: Option<Text>| t.and_then(|t| r.parsed::<Range>(&t));
                Some(Dose {
                    decoction: range(d.decoction),
                    powder: range(d.powder),
                    pill: range(d.pill),
                    external: d.external,
                })
            }
            None => old.as_ref().map(|o| o.dose.clone()),
        };
        if dose.is_none() {
            r.missing(span.clone(), &id, "dose");
        }
        let provenance = match raw.provenance {
            Some(p) => Some(r.provenance(p, &self.sources)),
            None => old.as_ref().map(|o| o.provenance.clone()),
        };
        if provenance.as_ref().is_none_or(Vec::is_empty) {
            r.missing(span.clone(), &id, "provenance");
        }
        let mut references = Vec::new();
        references.extend(raw.parent.clone());
        references.extend(raw.swap.clone().unwrap_or_default());
        if raw.process.is_some() && raw.parent.is_none() && old.as_ref().is_none_or(|o| o.parent.is_none()) {
            r.problem(span.clone(), format!("`{id}` has a `process` but no `parent`"), "say what it is made from");
        }
        // Every field is looked at before the record is made, so that all that is missing is said at once.
        let traditional = field!(traditional, text);
        let latin = field!(latin, text);
        let english = field!(english, text);
        let kind = field!(kind);
        let species = field!(species);
        let family = field!(family);
        let part = field!(part);
        let category = field!(category, text);
        let old_names = field!(old, plain);
        let regional = field!(regional, plain);
        let trade = field!(trade, plain);
        let nature = field!(nature);
        let channels = field!(channels);
        let tendency = field!(tendency, Spanned::into_inner);
        let toxicity = field!(toxicity);
        let pregnancy = field!(pregnancy);
        let pot = field!(pot);
        let record = (|| {
            Some(Substance {
                id: id.clone(),
                hanzi: hanzi?,
                traditional: traditional?,
                pinyin: pinyin?,
                latin: latin?,
                english: english?,
                kind: kind?,
                species: species?,
                family: family?,
                part: part?,
                category: category?,
                old: old_names?,
                regional: regional?,
                trade: trade?,
                nature: nature?,
                flavours: flavours?,
                channels: channels?,
                tendency: tendency?,
                actions: actions?,
                dose: dose?,
                toxicity: toxicity?,
                pregnancy: pregnancy?,
                pot: pot?,
                parent: raw.parent.map(Spanned::into_inner).or_else(|| old.as_ref()?.parent.clone()),
                process: raw.process.or_else(|| old.as_ref()?.process),
                swap: raw.swap.map(plain).or_else(|| Some(old.as_ref()?.swap.clone())).unwrap_or_default(),
                note: raw.note.or_else(|| old.as_ref()?.note.clone()),
                provenance: provenance?,
                review: raw.review,
                place: r.place(span),
            })
        })();
        if let (Some(record), true) = (record, r.problems.len() == before) {
            late.push((references, None));
            match known {
                Some(i) => self.substances[i] = record,
                None => self.substances.push(record),
            }
        }
    }

    fn take_formula(
        &mut self,
        raw: Spanned<RawFormula>,
        r: &mut Reader<'_>,
        seen: &mut BTreeSet<(u8, String)>,
        late: &mut Vec<(Texts, Option<String>)>,
    ) {
        let span = raw.span();
        let raw = raw.into_inner();
        let before = r.problems.len();
        r.id(&raw.id);
        let id = raw.id.get_ref().clone();
        if !seen.insert((1, id.clone())) {
            r.problem(raw.id.span(), format!("formula `{id}` stands twice"), "keep one record, or give one another id");
            return;
        }
        let known = self.formulas.iter().position(|f| f.id == id);
        let old = known.map(|i| self.formulas[i].clone());
        macro_rules! field {
            ($name:ident, $value:expr) => {
                match ($value, &old) {
                    (Some(value), _) => Some(value),
                    (None, Some(old)) => Some(old.$name.clone()),
                    (None, None) => {
                        r.missing(span.clone(), &id, stringify!($name));
                        None
                    }
                }
            };
        }
        if let Some(c) = &raw.category
            && !self.formula_shelves.contains_key(c.get_ref().as_str())
        {
            r.problem(
                c.span(),
                format!("category `{}` is not known", c.get_ref()),
                "use a shelf of vocabulary/categories.toml",
            );
        }
        let mut references: Texts = Vec::new();
        let ingredients = raw.ingredients.map(|list| {
            let mut twice = BTreeSet::new();
            list.into_iter()
                .map(|i| {
                    if !twice.insert(i.s.get_ref().clone()) {
                        r.problem(i.s.span(), format!("`{}` stands twice in `{id}`", i.s.get_ref()), "keep one line");
                    }
                    references.push(i.s.clone());
                    Ingredient {
                        substance: i.s.into_inner(),
                        written: i.written,
                        prep: i.prep,
                        amount: i.amount.and_then(|a| r.parsed::<Amount>(&a)),
                        grams: i.grams.and_then(|g| r.parsed(&g)),
                        role: i.role,
                    }
                })
                .collect::<Vec<_>>()
        });
        if ingredients.as_ref().is_some_and(Vec::is_empty) {
            r.problem(span.clone(), format!("`{id}` has no ingredient"), "add at least one");
        }
        let actions = raw.actions.map(|a| r.known(a, &self.actions, "action", "vocabulary/actions.toml"));
        let patterns = raw.patterns.map(|p| r.known(p, &self.patterns, "pattern", "a file under patterns/"));
        let change = raw.change.map(|c| {
            references.extend(c.add.iter().chain(&c.remove).chain(&c.redose).cloned());
            Change {
                from: plain(c.from),
                add: plain(c.add),
                remove: plain(c.remove),
                redose: plain(c.redose),
                said: c.said,
            }
        });
        let year = raw.source.as_ref().map(|s| s.year);
        let source = raw.source.map(|s| {
            r.source_id(&s.book, &self.sources);
            Provenance { source: s.book.into_inner(), at: s.at, how: s.how, fields: Vec::new() }
        });
        let provenance = r.provenance(raw.provenance, &self.sources);
        // Every field is looked at before the record is made, so that all that is missing is said at once.
        let hanzi = field!(hanzi, raw.hanzi.map(Spanned::into_inner));
        let traditional = field!(traditional, raw.traditional.map(Spanned::into_inner));
        let pinyin = field!(pinyin, raw.pinyin.map(Spanned::into_inner));
        let english = field!(english, raw.english.map(Spanned::into_inner));
        let form = field!(form, raw.form);
        let category = field!(category, raw.category.map(Spanned::into_inner));
        let source = field!(source, source);
        let year = field!(year, year);
        let measures = field!(measures, raw.measures);
        let ingredients = field!(ingredients, ingredients);
        let actions = field!(actions, actions);
        let patterns = field!(patterns, patterns);
        let findings = field!(findings, raw.findings);
        let tongue = field!(tongue, raw.tongue);
        let pulse = field!(pulse, raw.pulse);
        let cautions = field!(cautions, raw.cautions);
        let record = (|| {
            Some(Formula {
                id: id.clone(),
                hanzi: hanzi?,
                traditional: traditional?,
                pinyin: pinyin?,
                english: english?,
                aliases: raw.aliases,
                form: form?,
                category: category?,
                source: source?,
                year: year?,
                measures: measures?,
                ingredients: ingredients?,
                actions: actions?,
                patterns: patterns?,
                findings: findings?,
                tongue: tongue?,
                pulse: pulse?,
                cautions: cautions?,
                change: change.or_else(|| old.as_ref()?.change.clone()),
                provenance,
                review: raw.review,
                note: raw.note.or_else(|| old.as_ref()?.note.clone()),
                place: r.place(span),
            })
        })();
        if let (Some(record), true) = (record, r.problems.len() == before) {
            late.push((references, Some(id)));
            match known {
                Some(i) => self.formulas[i] = record,
                None => self.formulas.push(record),
            }
        }
    }

    /// Checks that only make sense once everything is in: changes that must agree, names that must not collide.
    fn check_whole(&self, files: &[DataFile]) -> Vec<Problem> {
        let mut problems = Vec::new();
        let ours: BTreeSet<&str> = files.iter().map(|f| f.name.as_str()).collect();
        let mut say = |place: &Place, what: String, mend: &str| {
            if ours.contains(place.file.as_str()) {
                problems.push(Problem {
                    file: place.file.clone(),
                    line: place.line,
                    column: 1,
                    what,
                    mend: mend.into(),
                });
            }
        };
        self.check_finding_names(&mut say);
        let names = Place { file: "names/words.toml".into(), line: 1, own: false };
        for (phrase, ids) in &self.words.joined {
            for id in ids.iter().filter(|id| !self.findings.contains_key(*id)) {
                say(
                    &names,
                    format!("`{phrase}` says `{id}`, which is no finding"),
                    "use an id of a file under findings/",
                );
            }
        }
        let formulas: BTreeMap<&str, &Formula> = self.formulas.iter().map(|f| (f.id.as_str(), f)).collect();
        for formula in &self.formulas {
            let Some(change) = &formula.change else { continue };
            let mut made = BTreeSet::new();
            let mut whole = true;
            for from in &change.from {
                match formulas.get(from.as_str()) {
                    Some(base) => made.extend(base.ingredients.iter().map(|i| i.substance.as_str())),
                    None => {
                        whole = false;
                        say(
                            &formula.place,
                            format!("`{}` is a change of `{from}`, which is not here", formula.id),
                            "add that formula, or correct `change.from`",
                        );
                    }
                }
            }
            for gone in &change.remove {
                if whole && !made.remove(gone.as_str()) {
                    say(
                        &formula.place,
                        format!("`{}` takes out `{gone}`, which its base does not hold", formula.id),
                        "correct `change.remove`",
                    );
                }
            }
            made.extend(change.add.iter().map(String::as_str));
            let held: BTreeSet<&str> = formula.ingredients.iter().map(|i| i.substance.as_str()).collect();
            if whole && made != held {
                let lack: Vec<_> = held.difference(&made).collect();
                let over: Vec<_> = made.difference(&held).collect();
                say(
                    &formula.place,
                    format!(
                        "`{}`: its change does not give its ingredients (lacks {lack:?}, has besides {over:?})",
                        formula.id
                    ),
                    "correct `change` or `ingredients`",
                );
            }
        }
        let settled: BTreeSet<&str> =
            self.ambiguous.iter().flat_map(|a| std::iter::once(&a.name).chain(&a.also)).map(String::as_str).collect();
        let mut names: BTreeMap<&str, &Substance> = BTreeMap::new();
        for s in &self.substances {
            let all: BTreeSet<&str> = [&s.hanzi, &s.traditional]
                .into_iter()
                .chain(&s.old)
                .chain(&s.regional)
                .chain(&s.trade)
                .map(String::as_str)
                .collect();
            for name in all {
                if settled.contains(name) {
                    continue;
                }
                if let Some(other) = names.insert(name, s)
                    && other.id != s.id
                {
                    say(
                        &s.place,
                        format!("`{name}` names both `{}` and `{}`", other.id, s.id),
                        "take it off one of them, or enter it in names/ambiguous.toml with what tells them apart",
                    );
                }
            }
        }
        problems
    }
}
