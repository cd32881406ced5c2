//! Words under which records are found again: in both Chinese scripts, in pinyin and in English, and with slips of the hand.
//!
//! Three things meet here, and none of them touches a database. A record gives its tokens ([`tokens_of_visit`] and its sisters);
//! what a person types gives a [`Query`]; and a [`Vocabulary`] of all tokens completes unfinished words and forgives slips. What
//! comes out is an [`Expr`] over tokens, which [`fts5`] and [`pg`] write for the two databases.
//!
//! A token holds lower-case letters, digits, hanzi and `: - _ .` only, so one token is one word for the index of SQLite (FTS5,
//! `unicode61 tokenchars ':-_.'`) and one element of an array in PostgreSQL. With a colon: `s:` substance, `f:` formula,
//! `n:` finding, `p:` pattern, `e:` mail, `t:` the last seven digits of a telephone.
//!
//! ```
//! use fangwright_clinic::words::{Knowledge, Vocabulary, fts5, read_query, tokens_of_person};
//! use fangwright_clinic::model::Person;
//! use fangwright_materia::Materia;
//! use fangwright_pattern::Terms;
//!
//! let materia = Materia::embedded();
//! let terms = Terms::new(&materia);
//! let known = Knowledge::new(&materia, &terms);
//! let tokens = tokens_of_person(&known, &Person { names: vec!["王小明".into()], ..Person::default() });
//! let mut vocabulary = Vocabulary::default();
//! tokens.iter().for_each(|t| vocabulary.add(t, 1));
//! let found = read_query(&known, "xiaoming wang").exact(&vocabulary).is_some_and(|e| e.holds(&tokens));
//! assert!(found);
//! ```

use std::collections::{BTreeMap, BTreeSet};

use fangwright_materia::{Materia, Resolution, SubstanceIx, is_hanzi};
use fangwright_pattern::Terms;
use jiff::civil::Date;
use pinyin::ToPinyin;
use rapidfuzz::distance::osa;
use unicode_normalization::UnicodeNormalization;
use unicode_normalization::char::is_combining_mark;

use crate::model::{Appointment, Attachment, Dispensing, Measure, Person, Prescription, Reading, Visit};

/// Most characters of a query that are read.
pub const LONGEST_QUERY: usize = 200;
/// Most parts of a query that are asked for.
pub const MOST_PARTS: usize = 12;
/// Most characters in a token; the rest of a longer word is cut off, in records and in queries alike.
pub const LONGEST_TOKEN: usize = 48;
/// Most ways in which an unfinished word is completed.
pub const MOST_COMPLETIONS: usize = 40;
/// Most words that are taken for what a misspelt one meant.
pub const MOST_SLIPS: usize = 20;

/// Most words in a span that may name one thing.
const LONGEST_SPAN: usize = 5;
/// More names than these begin with an unfinished one: then it says too little.
const MOST_HINTS: usize = 60;
/// Most hanzi of a person's name that are read aloud.
const LONGEST_NAME: usize = 8;

// ---------------------------------------------------------------------------------------------------------------------
// Letters

/// Letters that carry their mark within, and what is typed for them.
const MARKED_WITHIN: [(char, &str); 11] = [
    ('ø', "o"),
    ('ł', "l"),
    ('đ', "d"),
    ('ð', "d"),
    ('ħ', "h"),
    ('ß', "ss"),
    ('æ', "ae"),
    ('œ', "oe"),
    ('þ', "th"),
    ('ı', "i"),
    ('ŀ', "l"),
];

/// Characters that join the parts of one word: O'Neil, a-1023, 3.2.1980.
fn is_joiner(c: char) -> bool {
    matches!(c, '\'' | '\u{2019}' | '-' | '\u{2010}' | '\u{2011}' | '.' | '_' | '\u{b7}' | '@' | '/')
}

/// What may stand in a token of its own accord.
fn is_kept(c: char) -> bool {
    // Letters by one version of Unicode and not by another: the index would take them for a gap between two words.
    let doubtful = matches!(c, '\u{19b0}'..='\u{19c9}' | '\u{1cf2}'..='\u{1cf3}' | '\u{1f100}'..='\u{1f1ff}');
    c.is_alphanumeric() && !is_combining_mark(c) && !doubtful
}

/// Letters, digits and hanzi of a text in their plain form; all else is dropped.
fn fold(m: &Materia, text: &str) -> String {
    if text.is_ascii() {
        return text.chars().filter(char::is_ascii_alphanumeric).map(|c| c.to_ascii_lowercase()).collect();
    }
    let mut out = String::with_capacity(text.len());
    // Syllables of Hangul fall apart with the marks; `nfc` puts them together again.
    for c in text.nfkd().filter(|c| !is_combining_mark(*c)).nfc() {
        for low in m.plain_char(c).to_lowercase().filter(|c| is_kept(*c)) {
            match MARKED_WITHIN.iter().find(|(from, _)| *from == low) {
                Some((_, to)) => out.push_str(to),
                None => out.push(low),
            }
        }
    }
    out
}

fn cut(token: &str) -> &str {
    token.char_indices().nth(LONGEST_TOKEN).map_or(token, |(at, _)| &token[..at])
}

#[derive(Clone, Copy, PartialEq, Eq)]
enum Class {
    Hanzi,
    Letter,
    Mark,
    Joiner,
    Other,
}

fn class(m: &Materia, c: char) -> Class {
    if c.is_ascii_alphanumeric() {
        Class::Letter
    } else if is_joiner(c) {
        Class::Joiner
    } else if c.is_ascii() {
        Class::Other
    } else if is_combining_mark(c) {
        Class::Mark
    } else if is_hanzi(c) && is_kept(c) {
        Class::Hanzi
    } else {
        let plain = fold(m, c.encode_utf8(&mut [0; 4]));
        match plain.chars().next() {
            None => Class::Other,
            Some(c) if is_hanzi(c) => Class::Hanzi,
            Some(_) => Class::Letter,
        }
    }
}

/// A run of hanzi, or a word in letters and digits with what joins its parts.
#[derive(Clone, Copy)]
struct Piece<'t> {
    raw: &'t str,
    start: usize,
    hanzi: bool,
}

impl Piece<'_> {
    fn end(&self) -> usize {
        self.start + self.raw.len()
    }

    /// Its parts, folded.
    fn parts(&self, m: &Materia) -> Vec<String> {
        let parts = self.raw.split(is_joiner).map(|p| cut(&fold(m, p)).to_string());
        parts.filter(|p| !p.is_empty()).collect()
    }
}

fn pieces<'t>(m: &Materia, text: &'t str) -> Vec<Piece<'t>> {
    let mut list: Vec<Piece<'t>> = Vec::new();
    // Whether the last piece may go on, and the joiner that was passed since.
    let (mut open, mut joint) = (false, None);
    for (at, c) in text.char_indices() {
        let kind = class(m, c);
        let last = list.last_mut().filter(|_| open);
        match (kind, last) {
            (Class::Hanzi | Class::Letter, last) => {
                let hanzi = kind == Class::Hanzi;
                let end = at + c.len_utf8();
                let goes_on = |p: &Piece<'_>| {
                    // A stroke joins numbers only: 3/2/1980, but not cough/fever.
                    let digits = p.raw.ends_with(|d: char| d.is_ascii_digit()) && c.is_ascii_digit();
                    p.hanzi == hanzi && (joint != Some('/') || digits)
                };
                match last {
                    Some(piece) if goes_on(piece) => piece.raw = &text[piece.start..end],
                    _ => list.push(Piece { raw: &text[at..end], start: at, hanzi }),
                }
                (open, joint) = (true, None);
            }
            (Class::Mark, Some(piece)) if joint.is_none() => piece.raw = &text[piece.start..at + c.len_utf8()],
            (Class::Mark, _) => {}
            (Class::Joiner, Some(piece)) if joint.is_none() && !piece.hanzi => joint = Some(c),
            _ => (open, joint) = (false, None),
        }
    }
    list
}

/// The syllables of pinyin with numbers for tones: huang2qi2.
fn toneless(word: &str) -> Option<Vec<String>> {
    let mut syllables = Vec::new();
    let mut at = String::new();
    for c in word.chars() {
        match c {
            'a'..='z' => at.push(c),
            '1'..='5' if (2..=6).contains(&at.len()) && at.contains(['a', 'e', 'i', 'o', 'u', 'v']) => {
                syllables.push(with_u(&at).unwrap_or_else(|| at.clone()));
                at.clear();
            }
            _ => return None,
        }
    }
    (at.is_empty() && !syllables.is_empty()).then_some(syllables)
}

/// The word with u for a v that stands for ü.
fn with_u(word: &str) -> Option<String> {
    (word.contains("lv") || word.contains("nv")).then(|| word.replace("lv", "lu").replace("nv", "nu"))
}

/// Days that three numbers may mean, or the month that two mean.
fn days_of(parts: &[String]) -> Vec<String> {
    let numbers: Option<Vec<i16>> = parts
        .iter()
        .map(|p| p.parse().ok().filter(|_| p.len() <= 4 && p.bytes().all(|b| b.is_ascii_digit())))
        .collect();
    let day = |y: i16, m: i16, d: i16| Date::new(y, i8::try_from(m).ok()?, i8::try_from(d).ok()?).ok();
    let found = match numbers.as_deref() {
        Some([y, m, d]) if parts[0].len() == 4 => vec![day(*y, *m, *d)],
        // Some write the day first and some the month.
        Some([a, b, y]) if parts[2].len() == 4 => vec![day(*y, *b, *a), day(*y, *a, *b)],
        Some([y, m]) if parts[0].len() == 4 && (1..=12).contains(m) => return vec![format!("{y:04}-{m:02}")],
        _ => Vec::new(),
    };
    let mut days: Vec<String> = found.into_iter().flatten().map(|d| d.to_string()).collect();
    days.dedup();
    days
}

fn mail_token(raw: &str) -> String {
    let plain = |c: char| match c {
        '@' => '_',
        'a'..='z' | '0'..='9' | '.' | '-' | '_' => c,
        _ => '-',
    };
    cut(&format!("e:{}", raw.trim().to_lowercase().chars().map(plain).collect::<String>())).to_string()
}

/// The last seven digits: what a number has in common with and without the code of its country.
fn phone_token(digits: &str) -> Option<String> {
    digits.len().checked_sub(7).map(|at| format!("t:{}", &digits[at..]))
}

fn digits_of(m: &Materia, text: &str) -> String {
    fold(m, text).chars().filter(char::is_ascii_digit).collect()
}

fn concept(kind: char, id: &str) -> String {
    let plain = |c: char| match c.to_ascii_lowercase() {
        c @ ('a'..='z' | '0'..='9' | '-' | '_' | '.') => c,
        _ => '-',
    };
    format!("{kind}:{}", id.chars().map(plain).collect::<String>())
}

fn is_concept(token: &str) -> bool {
    ["s:", "f:", "n:", "p:"].iter().any(|k| token.starts_with(k))
}

// ---------------------------------------------------------------------------------------------------------------------
// Knowledge

/// What names mean: the records of the materia medica, the words of findings, and an index over both. Made once.
pub struct Knowledge<'a> {
    m: &'a Materia,
    terms: &'a Terms,
    /// Folded name, without spaces → concept tokens.
    names: BTreeMap<String, Vec<String>>,
    /// The names in letters, for slips.
    spellings: Vocabulary,
    /// Most hanzi in a name.
    longest: usize,
}

/// A name as it stands in the index: hanzi only, or letters and digits only.
fn name_key(m: &Materia, name: &str) -> String {
    let plain = fold(m, name);
    if plain.contains(is_hanzi) {
        plain.chars().filter(|c| is_hanzi(*c)).collect()
    } else {
        with_u(&plain).unwrap_or(plain)
    }
}

impl<'a> Knowledge<'a> {
    /// Indexes all names of substances, formulas, findings and patterns.
    pub fn new(m: &'a Materia, terms: &'a Terms) -> Knowledge<'a> {
        let mut k = Knowledge { m, terms, names: BTreeMap::new(), spellings: Vocabulary::default(), longest: 0 };
        k.add_substances();
        for (_, f) in m.formulas() {
            let own = [&f.hanzi, &f.traditional, &f.pinyin, &f.english, &f.id];
            own.into_iter().chain(&f.aliases).for_each(|n| k.add(n, concept('f', &f.id)));
        }
        for (id, f) in m.library().findings.iter() {
            [&f.zh, &f.en, id].into_iter().chain(&f.names).for_each(|n| k.add(n, concept('n', id)));
        }
        for (id, p) in &m.library().patterns {
            let short = [p.zh.trim_end_matches('证'), p.en.trim_end_matches(" pattern")];
            [p.zh.as_str(), &p.en, id].into_iter().chain(short).for_each(|n| k.add(n, concept('p', id)));
        }
        k.add_sounds();
        k.longest = k.names.keys().filter(|n| n.contains(is_hanzi)).map(|n| n.chars().count()).max().unwrap_or(0);
        for name in k.names.keys() {
            k.spellings.add(name, 1);
        }
        k
    }

    fn add(&mut self, name: &str, token: String) {
        let key = name_key(self.m, name);
        if key.is_empty() {
            return;
        }
        let held = self.names.entry(key).or_default();
        if !held.contains(&token) {
            held.push(token);
        }
    }

    fn add_substances(&mut self) {
        let m = self.m;
        // `Astragalus root` is called astragalus: words that are parts of plants and animals are left off the end.
        let of_part: BTreeSet<&str> = m.substances().flat_map(|(_, s)| s.part.split_whitespace()).collect();
        for (_, s) in m.substances() {
            let token = concept('s', &s.id);
            let own = [&s.hanzi, &s.traditional, &s.pinyin, &s.latin, &s.english, &s.id];
            for name in own.into_iter().chain(&s.old).chain(&s.regional).chain(&s.trade) {
                self.add(name, token.clone());
            }
            let mut words: Vec<&str> = s.english.split_whitespace().collect();
            while words.len() > 1 && words.last().is_some_and(|w| of_part.contains(w.to_lowercase().as_str())) {
                words.pop();
                self.add(&words.concat(), token.clone());
            }
        }
        // Botanical names only where no other name is spelt so: a genus has more in it than one substance.
        let taken: BTreeSet<String> = self.names.keys().cloned().collect();
        for (_, s) in m.substances() {
            for species in &s.species {
                let words: Vec<&str> = species.split_whitespace().take(2).collect();
                for name in [words.concat(), words.iter().take(1).copied().collect()] {
                    if !taken.contains(&name_key(m, &name)) {
                        self.add(&name, concept('s', &s.id));
                    }
                }
            }
        }
    }

    /// Findings and patterns by the sound of their hanzi; substances and formulas come with their pinyin.
    fn add_sounds(&mut self) {
        let spoken = |tokens: &[String]| tokens.iter().filter(|t| !t.starts_with("s:")).cloned().collect::<Vec<_>>();
        let written: Vec<(String, Vec<String>)> =
            self.names.iter().filter_map(|(name, tokens)| Some((sound(self.m, name)?, spoken(tokens)))).collect();
        for (sound, tokens) in written {
            tokens.into_iter().for_each(|t| self.add(&sound, t));
        }
    }

    /// A substance and all that is made from it.
    fn put_substance(&self, ix: SubstanceIx, out: &mut BTreeSet<String>) {
        // What is there already is not walked again, so a circle in somebody's own data ends.
        if out.insert(concept('s', &self.m.substance(ix).id)) {
            self.m.processed_forms(ix).iter().for_each(|p| self.put_substance(*p, out));
        }
    }

    fn put_token(&self, token: &str, out: &mut BTreeSet<String>) {
        match token.strip_prefix("s:").and_then(|id| self.m.substance_by_id(id)) {
            Some(ix) => self.put_substance(ix, out),
            None => drop(out.insert(token.to_string())),
        }
    }

    /// The concept tokens of what this name exactly names; empty where it is no name.
    fn concepts(&self, raw: &str) -> BTreeSet<String> {
        let mut out = BTreeSet::new();
        let key = name_key(self.m, raw);
        if key.is_empty() {
            return out;
        }
        let held: &[String] = self.names.get(&key).map_or(&[], Vec::as_slice);
        let of = |kind: &'static str| held.iter().filter(move |t| t.starts_with(kind));
        if self.m.names_a_substance(raw) {
            match self.m.resolve(raw) {
                Resolution::Known { substance, .. } | Resolution::Misspelt { substance, .. } => {
                    self.put_substance(substance, &mut out);
                }
                Resolution::Ambiguous { candidates, .. } => {
                    candidates.into_iter().for_each(|s| self.put_substance(s, &mut out));
                }
                Resolution::Unknown { .. } => {}
            }
        } else {
            of("s:").for_each(|t| self.put_token(t, &mut out));
        }
        // Tones may tell formulas apart that their letters do not.
        match of("f:").nth(1).map(|_| self.m.resolve_formula(raw)) {
            Some(Resolution::Known { substance, .. }) => drop(out.insert(concept('f', &self.m.formula(substance).id))),
            _ => out.extend(of("f:").cloned()),
        }
        out.extend(self.terms.exact(self.m, raw).map(|f| concept('n', self.terms.id(f))));
        out.extend(held.iter().filter(|t| t.starts_with("n:") || t.starts_with("p:")).cloned());
        out
    }

    /// The concept tokens of all names that begin so; empty where that says too little.
    fn hints(&self, raw: &str) -> BTreeSet<String> {
        let key = name_key(self.m, raw);
        let least = if key.contains(is_hanzi) { 2 } else { 4 };
        let mut out = BTreeSet::new();
        if key.chars().count() < least {
            return out;
        }
        let begin = self.names.range(key.clone()..).take_while(|(n, _)| n.starts_with(&key)).take(MOST_HINTS + 1);
        let begin: Vec<_> = begin.collect();
        if begin.len() <= MOST_HINTS {
            begin.into_iter().flat_map(|(_, tokens)| tokens).for_each(|t| self.put_token(t, &mut out));
        }
        out
    }

    /// The concept tokens of what a misspelt name probably means, where one thing is meant.
    fn meant(&self, raw: &str) -> BTreeSet<String> {
        let mut out = BTreeSet::new();
        let key = name_key(self.m, raw);
        let hanzi = key.contains(is_hanzi);
        let length = key.chars().count();
        if (hanzi && !(2..=8).contains(&length)) || (!hanzi && !(5..=LONGEST_TOKEN).contains(&length)) {
            return out;
        }
        if let Some(substance) = self.m.resolve(raw).settled() {
            self.put_substance(substance, &mut out);
        }
        let heard = sound(self.m, &key);
        let near = self.spellings.slips(&key);
        let spelt = near.iter().take_while(|n| n.distance == near[0].distance).map(|n| n.word);
        let tokens: BTreeSet<&String> = heard
            .as_deref()
            .into_iter()
            .chain(spelt)
            .filter_map(|name| self.names.get(name))
            .flatten()
            .filter(|t| out.is_empty() || !t.starts_with("s:"))
            .collect();
        // A finding and a pattern may go by one name; more than two is no clear candidate.
        if tokens.len() <= 2 {
            let tokens: Vec<String> = tokens.into_iter().cloned().collect();
            tokens.iter().for_each(|t| self.put_token(t, &mut out));
        }
        out
    }
}

// ---------------------------------------------------------------------------------------------------------------------
// Tokens of records

/// What is understood of free text besides its words.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum FreeText {
    /// Nothing: the words alone. Quick.
    Words,
    /// The findings that it says are there. Slower by far.
    #[default]
    Findings,
}

struct Tokens<'k, 'a> {
    k: &'k Knowledge<'a>,
    set: BTreeSet<String>,
}

impl<'k, 'a> Tokens<'k, 'a> {
    fn new(k: &'k Knowledge<'a>) -> Tokens<'k, 'a> {
        Tokens { k, set: BTreeSet::new() }
    }

    fn finish(self) -> Vec<String> {
        self.set.into_iter().collect()
    }

    fn put(&mut self, token: &str) {
        if !token.is_empty() && !self.set.contains(cut(token)) {
            self.set.insert(cut(token).to_string());
        }
    }

    fn concepts<'s>(&mut self, kind: char, ids: impl IntoIterator<Item = &'s String>) {
        self.set.extend(ids.into_iter().filter(|id| !id.is_empty()).map(|id| concept(kind, id)));
    }

    fn day(&mut self, day: Date) {
        self.put(&day.to_string());
        self.put(&format!("{:04}-{:02}", day.year(), day.month()));
        self.put(&format!("{:04}", day.year()));
    }

    fn word(&mut self, word: &str) {
        self.put(word);
        if let Some(syllables) = toneless(word) {
            self.put(&syllables.concat());
            syllables.iter().for_each(|s| self.put(s));
        }
        if let Some(other) = with_u(word) {
            self.put(&other);
        }
    }

    fn hanzi(&mut self, raw: &str) {
        let run = fold(self.k.m, raw);
        let mut before: Option<(usize, char)> = None;
        for (at, c) in run.char_indices() {
            let end = at + c.len_utf8();
            self.put(&run[at..end]);
            if let Some((start, _)) = before {
                self.put(&run[start..end]);
            }
            before = Some((at, c));
        }
    }

    fn text(&mut self, text: &str) {
        for piece in pieces(self.k.m, text) {
            if piece.hanzi {
                self.hanzi(piece.raw);
                continue;
            }
            let parts = piece.parts(self.k.m);
            parts.iter().for_each(|p| self.word(p));
            if parts.len() > 1 {
                self.put(&parts.concat());
                days_of(&parts).iter().for_each(|d| self.put(d));
            }
        }
    }

    fn texts<'s>(&mut self, texts: impl IntoIterator<Item = &'s String>) {
        texts.into_iter().for_each(|t| self.text(t));
    }

    /// Free text of the clinic, with the findings that are there.
    fn read(&mut self, text: &str, how: FreeText) {
        self.text(text);
        if how == FreeText::Findings && !text.trim().is_empty() {
            let k = self.k;
            let there = k.terms.read_known(k.m, text).present;
            self.set.extend(there.into_iter().map(|(f, _)| concept('n', k.terms.id(f))));
        }
    }

    /// The same for tongue and pulse, where a quality is written without saying whose it is.
    fn qualities(&mut self, text: &str, how: FreeText, whose: &[(&str, &str)]) {
        self.read(text, how);
        if how == FreeText::Words {
            return;
        }
        let k = self.k;
        let split = |c: char| matches!(c, ',' | ';' | '.' | '\n' | '\u{ff0c}' | '\u{3001}' | '\u{ff1b}' | '\u{3002}');
        for quality in text.split(split).map(str::trim).filter(|q| !q.is_empty()) {
            for (hanzi, english) in whose {
                let named = if quality.contains(is_hanzi) {
                    format!("{hanzi}{quality}")
                } else {
                    format!("{quality} {english}")
                };
                let found = k.terms.exact(k.m, &named);
                self.set.extend(found.map(|f| concept('n', k.terms.id(f))));
            }
        }
    }

    fn name(&mut self, name: &str) {
        self.text(name);
        let m = self.k.m;
        let words: Vec<String> = pieces(m, name).iter().filter(|p| !p.hanzi).flat_map(|p| p.parts(m)).collect();
        let words = &words[..words.len().min(LONGEST_NAME)];
        if words.len() > 1 {
            words.windows(2).for_each(|pair| self.put(&pair.concat()));
            // The family name may stand first or last.
            self.orders(words, 1);
            self.orders(words, words.len() - 1);
        }
        let hanzi: Vec<char> = name.nfkc().filter(|c| is_hanzi(*c)).take(LONGEST_NAME).collect();
        for syllables in readings(m, &hanzi) {
            self.aloud(&syllables);
        }
    }

    /// All joined, as it stands and with the first `n` at the end.
    fn orders(&mut self, words: &[String], n: usize) {
        self.put(&words.concat());
        let (first, rest) = words.split_at(n.min(words.len()));
        self.put(&format!("{}{}", rest.concat(), first.concat()));
    }

    /// A name in hanzi by its sounds. Which of them are the family name is not known, so every stretch of them is a token.
    fn aloud(&mut self, syllables: &[String]) {
        for from in 0..syllables.len() {
            for to in from + 1..=syllables.len() {
                self.put(&syllables[from..to].concat());
            }
        }
        if syllables.len() > 1 {
            self.orders(syllables, 1);
            self.orders(syllables, 2);
            let initials: String = syllables.iter().filter_map(|s| s.chars().next()).collect();
            self.put(&initials);
        }
    }

    fn phone(&mut self, phone: &str) {
        for number in phone.split([',', ';', '\n']) {
            let digits = digits_of(self.k.m, number);
            self.put(&digits);
            if digits.len() > 4 {
                self.put(&digits[digits.len() - 4..]);
            }
            phone_token(&digits).iter().for_each(|t| self.put(t));
        }
    }

    /// A number with letters: in parts, and without what stands between them.
    fn code(&mut self, code: &str) {
        self.text(code);
        self.put(&fold(self.k.m, code));
    }
}

/// Family names that are read otherwise than the characters mostly are.
const FAMILY_NAMES: [(&str, &[&str]); 27] = [
    ("单", &["shan"]),
    ("单于", &["chan", "yu"]),
    ("曾", &["zeng"]),
    ("解", &["xie"]),
    ("查", &["zha"]),
    ("仇", &["qiu"]),
    ("区", &["ou"]),
    ("朴", &["piao"]),
    ("朴", &["park"]),
    ("乐", &["yue"]),
    ("翟", &["zhai"]),
    ("缪", &["miao"]),
    ("盖", &["ge"]),
    ("员", &["yun"]),
    ("覃", &["qin"]),
    ("覃", &["tan"]),
    ("冼", &["xian"]),
    ("种", &["chong"]),
    ("秘", &["bi"]),
    ("折", &["she"]),
    ("燕", &["yan"]),
    ("召", &["shao"]),
    ("尉迟", &["yu", "chi"]),
    ("长孙", &["zhang", "sun"]),
    ("万俟", &["mo", "qi"]),
    ("澹台", &["tan", "tai"]),
    ("令狐", &["ling", "hu"]),
];

/// How a name in hanzi may be read: as its characters mostly are, and with one of them read otherwise. Empty where the reading of
/// a character is not known.
fn readings(m: &Materia, hanzi: &[char]) -> Vec<Vec<String>> {
    let sound = |c: char| c.to_pinyin().or_else(|| m.plain_char(c).to_pinyin()).map(|p| p.plain());
    let Some(written) = hanzi.iter().map(|c| sound(*c)).collect::<Option<Vec<&str>>>().filter(|w| !w.is_empty()) else {
        return Vec::new();
    };
    let base: Vec<String> = written.iter().map(|s| fold(m, s)).collect();
    let mut all = vec![base.clone()];
    let with = |at: usize, syllables: &[&str]| {
        let mut other = base.clone();
        other.iter_mut().skip(at).zip(syllables).for_each(|(to, s)| *to = fold(m, s));
        other
    };
    let plain: String = hanzi.iter().map(|c| m.plain_char(*c)).collect();
    all.extend(FAMILY_NAMES.iter().filter(|(name, _)| plain.starts_with(name)).map(|(_, read)| with(0, read)));
    for (at, c) in plain.chars().enumerate().take(base.len()) {
        let others = m.library().words.readings.get(c.encode_utf8(&mut [0; 4]) as &str);
        all.extend(others.into_iter().flatten().map(|read| with(at, &[read])));
        // Passports write ü as yu.
        if written[at].contains('ü') {
            all.push(with(at, &[&written[at].replace('ü', "yu")]));
        }
    }
    all.sort();
    all.dedup();
    all
}

/// Hanzi read aloud as they mostly are, joined; none where there are letters among them, or a reading is not known.
fn sound(m: &Materia, hanzi: &str) -> Option<String> {
    let read: Option<String> = hanzi.chars().map(|c| Some(c.to_pinyin()?.plain())).collect();
    read.filter(|r| !r.is_empty()).map(|r| fold(m, &r))
}

/// The tokens of a person, sorted, each once.
pub fn tokens_of_person(k: &Knowledge<'_>, p: &Person) -> Vec<String> {
    let mut t = Tokens::new(k);
    p.names.iter().for_each(|n| t.name(n));
    p.born.into_iter().for_each(|d| t.day(d));
    t.code(&p.number);
    t.phone(&p.phone);
    if !p.email.trim().is_empty() {
        t.put(&mail_token(&p.email));
    }
    [&p.email, &p.address, &p.note].into_iter().for_each(|x| t.text(x));
    t.texts(p.allergies.iter().chain(&p.diets).flatten());
    t.texts(p.medicines.iter().flatten().map(|x| &x.name));
    t.texts(p.conditions.iter().flatten().map(|x| &x.name));
    t.finish()
}

/// The tokens of a visit, sorted, each once. What its free text says is there counts as a finding where `how` asks for that.
pub fn tokens_of_visit(k: &Knowledge<'_>, v: &Visit, how: FreeText) -> Vec<String> {
    let mut t = Tokens::new(k);
    t.day(v.on);
    [&v.complaint, &v.notes, &v.reasoning, &v.plan].into_iter().for_each(|x| t.read(x, how));
    t.qualities(&v.tongue, how, &[("舌", "tongue"), ("苔", "coating")]);
    t.qualities(&v.pulse, how, &[("脉", "pulse")]);
    t.concepts('n', &v.findings);
    t.concepts('p', &v.patterns);
    t.texts(&v.flags);
    t.finish()
}

/// The tokens of a prescription, sorted, each once.
pub fn tokens_of_prescription(k: &Knowledge<'_>, p: &Prescription) -> Vec<String> {
    let mut t = Tokens::new(k);
    t.day(p.on);
    [&p.title, &p.directions, &p.why].into_iter().for_each(|x| t.text(x));
    t.texts(p.items.iter().map(|l| &l.name));
    t.concepts('s', p.items.iter().filter_map(|l| l.substance.as_ref()));
    t.concepts('f', &p.formula);
    t.concepts('p', &p.patterns);
    t.finish()
}

/// The tokens of a dispensing, sorted, each once.
pub fn tokens_of_dispensing(k: &Knowledge<'_>, d: &Dispensing) -> Vec<String> {
    let mut t = Tokens::new(k);
    t.day(d.on);
    t.code(&d.number);
    t.text(&d.preparation);
    t.texts(&d.remarks);
    for line in &d.lines {
        // A line is of a substance or of a product of a whole formula.
        let formula = k.m.substance_by_id(&line.substance).is_none() && k.m.formula_by_id(&line.substance).is_some();
        t.concepts(if formula { 'f' } else { 's' }, [&line.substance]);
        t.code(&line.product);
        t.code(&line.lot);
    }
    t.finish()
}

/// The tokens of a measure, sorted, each once.
pub fn tokens_of_measure(k: &Knowledge<'_>, x: &Measure) -> Vec<String> {
    let mut t = Tokens::new(k);
    t.texts([&x.name, &x.unit]);
    t.finish()
}

/// The tokens of a value of a measure, sorted, each once: its day and its remark.
pub fn tokens_of_reading(k: &Knowledge<'_>, r: &Reading) -> Vec<String> {
    let mut t = Tokens::new(k);
    t.day(r.on);
    t.text(&r.note);
    t.finish()
}

/// The tokens of an appointment, sorted, each once.
pub fn tokens_of_appointment(k: &Knowledge<'_>, a: &Appointment) -> Vec<String> {
    let mut t = Tokens::new(k);
    t.day(a.on);
    t.text(&a.about);
    t.finish()
}

/// The tokens of an attachment, sorted, each once.
pub fn tokens_of_attachment(k: &Knowledge<'_>, a: &Attachment) -> Vec<String> {
    let mut t = Tokens::new(k);
    t.day(a.on);
    t.text(&a.title);
    t.text(a.shows.word());
    t.finish()
}

// ---------------------------------------------------------------------------------------------------------------------
// Vocabulary

/// How a word is looked for in a [`Vocabulary`].
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum How {
    /// What begins with it.
    Prefix,
    /// What it may be a slip for: 1 letter in words of 4 to 6, 2 in longer ones; a letter changed, left out, put in or exchanged
    /// with its neighbour.
    Slip,
}

/// All words in letters and digits that records hold, with how many records hold each. Concepts and hanzi are passed over, as they
/// are neither completed nor misspelt.
#[derive(Debug, Default)]
pub struct Vocabulary {
    counts: BTreeMap<Box<str>, u32>,
    /// Words of letters alone, by their length in characters.
    shelves: Vec<Shelf>,
}

/// Words of one length, with what a search looks at first standing close together.
#[derive(Debug, Default)]
struct Shelf {
    letters: Vec<u64>,
    words: Vec<Box<str>>,
}

struct Slip<'v> {
    distance: usize,
    count: u32,
    word: &'v str,
}

/// One bit for a letter that occurs, one more for one that occurs twice. A slip changes at most two bits.
fn letters(word: &str) -> u64 {
    let (mut once, mut twice) = (0u64, 0u64);
    for c in word.chars() {
        let bit = 1u64 << (if c.is_ascii_lowercase() { c as u32 - 'a' as u32 } else { c as u32 % 31 });
        twice |= once & bit;
        once |= bit;
    }
    once | twice << 32
}

/// How many slips a word of so many letters may have.
fn allowance(length: usize) -> usize {
    match length {
        0..=3 => 0,
        4..=6 => 1,
        _ => 2,
    }
}

fn may_slip(word: &str) -> bool {
    word.chars().all(|c| c.is_alphabetic() && !is_hanzi(c))
}

/// Concepts, hanzi and hashes are neither completed nor misspelt.
fn is_word(token: &str) -> bool {
    let coded = is_concept(token) || ["t:", "l:", "i:"].iter().any(|p| token.starts_with(p));
    !(token.is_empty() || coded || token.contains(is_hanzi))
}

impl Vocabulary {
    /// Takes a token in, for so many records more.
    pub fn add(&mut self, token: &str, records: u32) {
        if !is_word(token) {
            return;
        }
        if let Some(count) = self.counts.get_mut(token) {
            *count = count.saturating_add(records);
            return;
        }
        self.counts.insert(token.into(), records);
        if may_slip(token) {
            let length = token.chars().count();
            if self.shelves.len() <= length {
                self.shelves.resize_with(length + 1, Shelf::default);
            }
            self.shelves[length].letters.push(letters(token));
            self.shelves[length].words.push(token.into());
        }
    }

    /// Takes a word out.
    pub fn remove(&mut self, token: &str) {
        if self.counts.remove(token).is_none() {
            return;
        }
        if let Some(shelf) = self.shelves.get_mut(token.chars().count())
            && let Some(at) = shelf.words.iter().position(|w| **w == *token)
        {
            shelf.words.swap_remove(at);
            shelf.letters.swap_remove(at);
        }
    }

    /// Whether a token is one that is taken in, and is not there yet.
    pub fn wants(&self, token: &str) -> bool {
        is_word(token) && !self.counts.contains_key(token)
    }

    /// How many words it holds.
    pub fn len(&self) -> usize {
        self.counts.len()
    }

    /// Whether it holds none.
    pub fn is_empty(&self) -> bool {
        self.counts.is_empty()
    }

    /// Words of the vocabulary for a folded word. By prefix: the most frequent up to [`MOST_COMPLETIONS`], the word itself among
    /// them if it is held. By slip: others than the word itself, the nearest first, then the most frequent, up to [`MOST_SLIPS`].
    pub fn expand(&self, word: &str, how: How) -> Vec<String> {
        match how {
            How::Prefix => self.completions(word),
            How::Slip => self.slips(word).into_iter().take(MOST_SLIPS).map(|s| s.word.to_string()).collect(),
        }
    }

    fn completions(&self, word: &str) -> Vec<String> {
        if word.is_empty() {
            return Vec::new();
        }
        let from = (std::ops::Bound::Included(word), std::ops::Bound::Unbounded);
        let begin = self.counts.range::<str, _>(from).take_while(|(w, _)| w.starts_with(word));
        let mut begin: Vec<(std::cmp::Reverse<u32>, &str)> =
            begin.map(|(w, n)| (std::cmp::Reverse(*n), w.as_ref())).collect();
        if begin.len() > MOST_COMPLETIONS {
            begin.select_nth_unstable(MOST_COMPLETIONS);
            begin.truncate(MOST_COMPLETIONS);
        }
        begin.sort_unstable();
        begin.into_iter().map(|(_, w)| w.to_string()).collect()
    }

    fn slips(&self, word: &str) -> Vec<Slip<'_>> {
        let length = word.chars().count();
        let most = allowance(length);
        if most == 0 || length > LONGEST_TOKEN || !may_slip(word) {
            return Vec::new();
        }
        let signature = letters(word);
        let comparator = osa::BatchComparator::new(word.chars());
        let args = osa::Args::default().score_cutoff(most);
        let mut found = Vec::new();
        for shelf in self.shelves.iter().skip(length - most).take(2 * most + 1) {
            for (bits, other) in shelf.letters.iter().zip(&shelf.words) {
                // Bits that only the one has, or only the other, are letters to be changed one by one.
                let apart = (signature & !bits).count_ones().max((bits & !signature).count_ones()) as usize;
                if apart > most {
                    continue;
                }
                if let Some(distance) = comparator.distance_with_args(other.chars(), &args).filter(|d| *d > 0) {
                    found.push((distance, other.as_ref()));
                }
            }
        }
        let count = |w: &str| self.counts.get(w).copied().unwrap_or(0);
        let mut found: Vec<Slip<'_>> =
            found.into_iter().map(|(distance, word)| Slip { distance, count: count(word), word }).collect();
        found.sort_by_key(|s| (s.distance, std::cmp::Reverse(s.count), s.word));
        found
    }
}

// ---------------------------------------------------------------------------------------------------------------------
// Queries

/// One word of a query: a run of hanzi, or a word in letters and digits.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Word {
    /// Sets of tokens; it is there where all of one set are.
    pub any: Vec<Vec<String>>,
    /// Spellings that may be completed or misspelt: the word itself, and the word joined with its neighbours.
    pub spelt: Vec<String>,
    /// What a run of hanzi sounds like, where it may be a name.
    pub sounds: Vec<String>,
    /// Whether it may go on.
    pub unfinished: bool,
}

/// One part of a query: a name of something, or a word.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Part {
    /// As typed.
    pub raw: String,
    /// Tokens of what it exactly names, any of which will do; empty where it is no name.
    pub concepts: Vec<String>,
    /// Tokens of what it would name if it went on.
    pub hints: Vec<String>,
    /// Its words, all of which will do as well.
    pub words: Vec<Word>,
}

/// What a person looks for: all parts must hold.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Query {
    /// The parts, in the order of the text; at most [`MOST_PARTS`].
    pub parts: Vec<Part>,
}

/// Reads what a person typed. Any text will do; what is beyond [`LONGEST_QUERY`] characters or [`MOST_PARTS`] parts is passed over.
pub fn read_query(k: &Knowledge<'_>, text: &str) -> Query {
    let text = text.char_indices().nth(LONGEST_QUERY).map_or(text, |(at, _)| &text[..at]);
    let list = pieces(k.m, text);
    // A space behind the last word says that it is finished.
    let open = list.last().is_some_and(|p| p.end() == text.len());
    let reader = Reader { k, text, list, open };
    let mut parts = Vec::new();
    let mut at = 0;
    while at < reader.list.len() && parts.len() < MOST_PARTS {
        if reader.list[at].hanzi {
            reader.hanzi(at, &mut parts);
            at += 1;
        } else {
            let (part, n) = reader.span(at);
            parts.push(part);
            at += n;
        }
    }
    parts.truncate(MOST_PARTS);
    Query { parts }
}

struct Reader<'q, 'k, 'a> {
    k: &'k Knowledge<'a>,
    text: &'q str,
    list: Vec<Piece<'q>>,
    open: bool,
}

fn sorted(set: BTreeSet<String>) -> Vec<String> {
    set.into_iter().collect()
}

impl<'q> Reader<'q, '_, '_> {
    fn unfinished(&self, at: usize) -> bool {
        self.open && at + 1 == self.list.len()
    }

    /// The longest span from here that names something, or one word.
    fn span(&self, at: usize) -> (Part, usize) {
        let most = self.list[at..].iter().take(LONGEST_SPAN).take_while(|p| !p.hanzi).count();
        for n in (1..=most).rev() {
            let raw = &self.text[self.list[at].start..self.list[at + n - 1].end()];
            let concepts = self.k.concepts(raw);
            let ends = concepts.is_empty() && self.unfinished(at + n - 1);
            let hints = if ends { self.k.hints(raw) } else { BTreeSet::new() };
            if n == 1 || !concepts.is_empty() || !hints.is_empty() {
                let words = (at..at + n).map(|i| self.word(i)).collect();
                return (Part { raw: raw.into(), concepts: sorted(concepts), hints: sorted(hints), words }, n);
            }
        }
        // Not reached: a span of one word always returns.
        (Part { raw: String::new(), concepts: Vec::new(), hints: Vec::new(), words: Vec::new() }, 1)
    }

    /// A piece as the one word that may be joined with a neighbour.
    fn joinable(&self, at: Option<usize>) -> Option<String> {
        let piece = self.list.get(at?).filter(|p| !p.hanzi)?;
        let mut parts = piece.parts(self.k.m);
        let word = parts.pop().filter(|_| parts.is_empty())?;
        let word = toneless(&word).map_or(word, |s| s.concat());
        may_slip(&word).then_some(word)
    }

    fn word(&self, at: usize) -> Word {
        let piece = self.list[at];
        let parts = piece.parts(self.k.m);
        let whole = cut(&parts.concat()).to_string();
        let mut any = vec![vec![whole.clone()]];
        let mut spelt = vec![whole.clone()];
        if parts.len() > 1 {
            any.push(parts.clone());
            any.extend(days_of(&parts).into_iter().map(|d| vec![d]));
            // 1980-0 goes on to 1980-02.
            if parts.iter().all(|p| p.bytes().all(|b| b.is_ascii_digit())) {
                spelt.push(parts.join("-"));
            }
        }
        if let Some(syllables) = toneless(&whole) {
            any.push(vec![syllables.concat()]);
            any.push(syllables);
        }
        any.extend(with_u(&whole).map(|w| vec![w]));
        if piece.raw.contains('@') {
            any.push(vec![mail_token(piece.raw)]);
            spelt.push(mail_token(piece.raw));
        }
        any.extend(self.phone(at).into_iter().map(|t| vec![t]));
        if let Some(own) = self.joinable(Some(at)) {
            let before = self.joinable(at.checked_sub(1)).map(|b| format!("{b}{own}"));
            let after = self.joinable(Some(at + 1)).map(|a| format!("{own}{a}"));
            for joined in before.into_iter().chain(after) {
                any.push(vec![cut(&joined).to_string()]);
                spelt.push(cut(&joined).to_string());
            }
        }
        Word { any, spelt, sounds: Vec::new(), unfinished: self.unfinished(at) }
    }

    /// Tokens of the telephone number that this piece is a part of.
    fn phone(&self, at: usize) -> Vec<String> {
        let digits = |p: &Piece<'_>| {
            let plain = fold(self.k.m, p.raw);
            (!plain.is_empty() && plain.bytes().all(|b| b.is_ascii_digit())).then_some(plain)
        };
        let before = self.list[..at].iter().rev().map_while(digits).count();
        let number: String = self.list[at - before..].iter().map_while(digits).collect();
        let belongs = digits(&self.list[at]).is_some();
        match phone_token(&number).filter(|_| belongs) {
            Some(token) => vec![cut(&number).to_string(), token],
            None => Vec::new(),
        }
    }

    /// A run of hanzi: one name, the beginning of one, or names with words between them.
    fn hanzi(&self, at: usize, parts: &mut Vec<Part>) {
        let raw = self.list[at].raw;
        let whole = self.k.concepts(raw);
        let hints = if whole.is_empty() && self.unfinished(at) { self.k.hints(raw) } else { BTreeSet::new() };
        if !whole.is_empty() || !hints.is_empty() {
            parts.push(self.hanzi_part(raw, whole, hints));
            return;
        }
        let (mut from, mut here) = (0, 0);
        while here < raw.len() && parts.len() < MOST_PARTS {
            if let Some((end, concepts)) = self.longest_name(&raw[here..]) {
                if from < here {
                    parts.push(self.hanzi_part(&raw[from..here], BTreeSet::new(), BTreeSet::new()));
                }
                parts.push(self.hanzi_part(&raw[here..here + end], concepts, BTreeSet::new()));
                here += end;
                from = here;
            } else {
                here += raw[here..].chars().next().map_or(1, char::len_utf8);
            }
        }
        if from < here {
            parts.push(self.hanzi_part(&raw[from..here], BTreeSet::new(), BTreeSet::new()));
        }
    }

    /// The longest name of two characters or more that a text begins with: where it ends, and its concept tokens.
    fn longest_name(&self, text: &str) -> Option<(usize, BTreeSet<String>)> {
        let m = self.k.m;
        let mut ends = m.hanzi_prefixes(text);
        ends.extend(m.hanzi_formula_prefixes(text));
        let mut key = String::new();
        for (at, c) in text.char_indices().take(self.k.longest) {
            key.push_str(&fold(m, c.encode_utf8(&mut [0; 4])));
            if self.k.names.contains_key(&key) {
                ends.push(at + c.len_utf8());
            }
        }
        ends.sort_unstable_by(|a, b| b.cmp(a));
        ends.dedup();
        let long_enough = ends.into_iter().filter(|e| text.get(..*e).is_some_and(|t| t.chars().count() > 1));
        long_enough.map(|e| (e, self.k.concepts(&text[..e]))).find(|(_, c)| !c.is_empty())
    }

    fn hanzi_part(&self, raw: &str, concepts: BTreeSet<String>, hints: BTreeSet<String>) -> Part {
        let m = self.k.m;
        let run: Vec<char> = fold(m, raw).chars().collect();
        let tokens: Vec<String> = match run.as_slice() {
            [one] => vec![one.to_string()],
            many => many.windows(2).map(|pair| pair.iter().collect()).collect(),
        };
        let written: Vec<char> = raw.nfkc().filter(|c| is_hanzi(*c)).collect();
        let name = (2..=4).contains(&written.len());
        let sounds = if name { readings(m, &written).iter().map(|s| s.concat()).collect() } else { Vec::new() };
        let word = Word { any: vec![tokens], spelt: Vec::new(), sounds, unfinished: false };
        Part { raw: raw.into(), concepts: sorted(concepts), hints: sorted(hints), words: vec![word] }
    }
}

impl Word {
    fn expr(&self, v: &Vocabulary, loose: bool) -> Option<Expr> {
        let sets = self.any.iter().map(|set| Expr::all(set.iter().cloned().map(Expr::Token)));
        let mut list: Vec<Expr> = sets.flatten().collect();
        let mut add = |words: Vec<String>| list.extend(words.into_iter().map(Expr::Token));
        for spelling in &self.spelt {
            if self.unfinished {
                add(v.expand(spelling, How::Prefix));
            }
            if loose {
                add(v.expand(spelling, How::Slip));
            }
        }
        if loose {
            add(self.sounds.clone());
        }
        Expr::any(list)
    }
}

impl Part {
    fn expr(&self, v: &Vocabulary, loose: bool, meant: &BTreeSet<String>) -> Option<Expr> {
        let named = self.concepts.iter().chain(&self.hints).chain(meant).cloned().map(Expr::Token);
        Expr::any(named.chain(Expr::all(self.words.iter().filter_map(|w| w.expr(v, loose)))))
    }
}

impl Query {
    /// Whether there is nothing to look for.
    pub fn is_empty(&self) -> bool {
        self.parts.is_empty()
    }

    /// What is asked for as it is spelt, with the last word completed; nothing where the query is empty.
    pub fn exact(&self, v: &Vocabulary) -> Option<Expr> {
        Expr::all(self.parts.iter().filter_map(|p| p.expr(v, false, &BTreeSet::new())))
    }

    /// The same and what is near: slips in words, names that are misspelt with one thing probably meant, hanzi that sound alike.
    /// Takes some milliseconds; for when [`Query::exact`] finds too little.
    pub fn loose(&self, k: &Knowledge<'_>, v: &Vocabulary) -> Option<Expr> {
        let meant = self.meant(k);
        Expr::all(self.parts.iter().zip(&meant).filter_map(|(p, m)| p.expr(v, true, m)))
    }

    /// For each part, the tokens of what a span that it belongs to was probably meant to name. Hanzi stand alone; words in letters
    /// are tried together with their neighbours.
    fn meant(&self, k: &Knowledge<'_>) -> Vec<BTreeSet<String>> {
        let mut all = vec![BTreeSet::new(); self.parts.len()];
        for from in 0..self.parts.len() {
            let rest = self.parts[from..].iter().take(LONGEST_SPAN - 1);
            let words = rest.take_while(|p| !p.raw.contains(is_hanzi)).count();
            for to in from + 1..=from + words.max(1) {
                let span = &self.parts[from..to];
                // What is named already was meant so.
                if span.iter().all(|p| !p.concepts.is_empty()) {
                    continue;
                }
                let raw: Vec<&str> = span.iter().map(|p| p.raw.as_str()).collect();
                let tokens = k.meant(&raw.join(" "));
                all[from..to].iter_mut().for_each(|a| a.extend(tokens.iter().cloned()));
            }
        }
        all
    }
}

/// What a record's tokens have to fulfil. No list in it is empty.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub enum Expr {
    /// This token is among them.
    Token(String),
    /// All of these hold.
    All(Vec<Expr>),
    /// One of these holds.
    Any(Vec<Expr>),
}

/// Each once, in their order.
fn each_once(list: impl IntoIterator<Item = Expr>) -> Vec<Expr> {
    let mut seen = BTreeSet::new();
    list.into_iter().filter(|e| seen.insert(e.clone())).collect()
}

impl Expr {
    fn all(list: impl IntoIterator<Item = Expr>) -> Option<Expr> {
        let mut list = each_once(list);
        if list.len() > 1 { Some(Expr::All(list)) } else { list.pop() }
    }

    fn any(list: impl IntoIterator<Item = Expr>) -> Option<Expr> {
        let mut list = each_once(list);
        if list.len() > 1 { Some(Expr::Any(list)) } else { list.pop() }
    }

    /// Whether a record with these tokens, sorted, is one that is looked for.
    pub fn holds(&self, tokens: &[String]) -> bool {
        match self {
            Expr::Token(t) => tokens.binary_search(t).is_ok(),
            Expr::All(list) => list.iter().all(|e| e.holds(tokens)),
            Expr::Any(list) => list.iter().any(|e| e.holds(tokens)),
        }
    }
}

/// The expression for `MATCH` in FTS5. Tokens stand in quotes and there are no phrases, so the index may have `detail=none`.
pub fn fts5(expr: &Expr) -> String {
    let joined = |list: &[Expr], with: &str| format!("({})", list.iter().map(fts5).collect::<Vec<_>>().join(with));
    match expr {
        Expr::Token(t) => format!("\"{}\"", t.replace('"', "\"\"")),
        Expr::All(list) => joined(list, " AND "),
        Expr::Any(list) => joined(list, " OR "),
    }
}

/// The condition for PostgreSQL over a column `tokens text[]`, with its parameters. Placeholders are written `?n`, the first of
/// them `?next_param`. No part of a query stands in the text of the condition.
pub fn pg(expr: &Expr, next_param: usize) -> (String, Vec<String>) {
    let mut params = Vec::new();
    let sql = pg_into(expr, next_param, &mut params);
    (sql, params)
}

fn pg_into(expr: &Expr, first: usize, params: &mut Vec<String>) -> String {
    let (list, sign, with) = match expr {
        Expr::Token(_) => (std::slice::from_ref(expr), "&&", " OR "),
        Expr::All(list) => (list.as_slice(), "@>", " AND "),
        Expr::Any(list) => (list.as_slice(), "&&", " OR "),
    };
    let mut conditions = Vec::new();
    let tokens: Vec<&str> =
        list.iter().filter_map(|e| if let Expr::Token(t) = e { Some(t.as_str()) } else { None }).collect();
    if !tokens.is_empty() {
        conditions.push(format!("tokens {sign} string_to_array(?{},' ')", first + params.len()));
        params.push(tokens.join(" "));
    }
    for inner in list.iter().filter(|e| !matches!(e, Expr::Token(_))) {
        conditions.push(pg_into(inner, first, params));
    }
    match conditions.len() {
        1 => conditions.concat(),
        _ => format!("({})", conditions.join(with)),
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used, reason = "a test that cannot go on fails")]
mod tests {
    use super::*;

    fn raws(text: &str) -> Vec<String> {
        pieces(&Materia::embedded(), text).iter().map(|p| p.raw.to_string()).collect()
    }

    #[test]
    fn a_text_falls_into_words_and_runs_of_hanzi() {
        assert_eq!(
            raws("O'Neil, 3/2/1980; cough/fever 盗汗night-"),
            ["O'Neil", "3/2/1980", "cough", "fever", "盗汗", "night"]
        );
        assert_eq!(raws("Hua\u{301}ng  a--b @x.y@z. \0\u{301}"), ["Hua\u{301}ng", "a", "b", "x.y@z"]);
        assert_eq!(raws("  \u{1f33f}'\"()"), [""; 0]);
    }

    #[test]
    fn letters_are_folded() {
        let m = Materia::embedded();
        for (from, to) in [
            ("Huáng", "huang"),
            ("lǜ", "lu"),
            ("STRASSE Ø", "strasseo"),
            ("Straße", "strasse"),
            ("黃", "黄"),
            ("Ａ１", "a1"),
        ] {
            assert_eq!(fold(&m, from), to);
        }
        assert_eq!(toneless("huang2qi2").unwrap(), ["huang", "qi"]);
        assert_eq!(toneless("lv4").unwrap(), ["lu"]);
        for none in ["huang", "covid19", "d3", "2", "", "huang2qi", "g6pd"] {
            assert_eq!(toneless(none), None, "{none}");
        }
    }

    #[test]
    fn days_in_figures() {
        let of = |text: &str| days_of(&text.split('.').map(String::from).collect::<Vec<_>>());
        assert_eq!(of("1980.2.3"), ["1980-02-03"]);
        assert_eq!(of("3.2.1980"), ["1980-02-03", "1980-03-02"]);
        assert_eq!(of("23.2.1980"), ["1980-02-23"]);
        assert_eq!(of("1980.2"), ["1980-02"]);
        for none in ["30.2.1980", "1.2.3", "x.2.1980", "1980.13", "99999.1.1", "1.2.1980.4"] {
            assert_eq!(of(none), [""; 0], "{none}");
        }
    }

    /// The search through the shelves against the distance to every word.
    #[test]
    fn slips_are_all_that_are_near() {
        let mut seed = 5u64;
        let mut random = |n: usize| {
            seed = seed.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            (seed >> 33) as usize % n
        };
        let mut word = || -> String { (0..3 + random(7)).map(|_| char::from(b'a' + random(4) as u8)).collect() };
        let words: BTreeSet<String> = (0..2000).map(|_| word()).collect();
        let mut v = Vocabulary::default();
        words.iter().for_each(|w| v.add(w, 1));
        for _ in 0..300 {
            let asked = word();
            let most = allowance(asked.len());
            let mut wanted: Vec<(usize, &String)> = words
                .iter()
                .map(|w| (osa::distance(asked.chars(), w.chars()), w))
                .filter(|(d, _)| *d > 0 && *d <= most)
                .collect();
            wanted.sort();
            let found: Vec<(usize, String)> =
                v.slips(&asked).iter().map(|s| (s.distance, s.word.to_string())).collect();
            assert_eq!(found, wanted.into_iter().map(|(d, w)| (d, w.clone())).collect::<Vec<_>>(), "{asked}");
        }
    }

    #[test]
    fn frequent_words_come_first() {
        let mut v = Vocabulary::default();
        for (token, n) in
            [("sweats", 3), ("sweaty", 9), ("sweet", 1), ("s:sweat", 5), ("盗汗", 5), ("2026-01-02", 4), ("sweats", 1)]
        {
            v.add(token, n);
        }
        assert_eq!(v.len(), 4);
        assert_eq!(v.expand("swe", How::Prefix), ["sweaty", "sweats", "sweet"]);
        assert_eq!(v.expand("2026-0", How::Prefix), ["2026-01-02"]);
        assert_eq!(v.expand("sweat", How::Slip), ["sweaty", "sweats", "sweet"]);
        assert_eq!(v.expand("swt", How::Slip), [""; 0]);
        assert_eq!(v.expand("", How::Prefix), [""; 0]);
    }

    #[test]
    fn expressions_are_written_for_both_databases() {
        let t = |x: &str| Expr::Token(x.into());
        let pair = Expr::all([t("huang"), t("qi")]).unwrap();
        let e =
            Expr::all([Expr::any([t("s:huang-qi"), pair, t("s:huang-qi"), t("huangqi")]).unwrap(), t("1980")]).unwrap();
        assert_eq!(fts5(&e), r#"(("s:huang-qi" OR ("huang" AND "qi") OR "huangqi") AND "1980")"#);
        let (sql, params) = pg(&e, 3);
        assert_eq!(
            sql,
            "(tokens @> string_to_array(?3,' ') AND (tokens && string_to_array(?4,' ') OR tokens @> string_to_array(?5,' ')))"
        );
        assert_eq!(params, ["1980", "s:huang-qi huangqi", "huang qi"]);
        assert_eq!(pg(&t("x"), 1).0, "tokens && string_to_array(?1,' ')");
    }
}
