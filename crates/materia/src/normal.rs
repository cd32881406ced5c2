use std::collections::HashMap;

use fangwright_records::Library;
use unicode_normalization::UnicodeNormalization;
use unicode_normalization::char::is_combining_mark;

/// The script a name is written in.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Script {
    /// Chinese characters.
    Hanzi,
    /// Letters: pinyin, Latin, English.
    Latin,
}

/// Whether a text holds Chinese characters.
pub fn script_of(text: &str) -> Script {
    if text.chars().any(is_hanzi) { Script::Hanzi } else { Script::Latin }
}

pub(crate) fn is_hanzi(c: char) -> bool {
    matches!(c, '\u{3400}'..='\u{9fff}' | '\u{f900}'..='\u{faff}' | '\u{20000}'..='\u{3ffff}')
}

/// Brings spellings to one form. Its character tables are read off the records themselves.
pub(crate) struct Normalizer {
    simplified: HashMap<char, char>,
    syllable: HashMap<char, String>,
    /// Variant spellings of more than one character.
    variants: Vec<(String, String)>,
}

impl Normalizer {
    pub(crate) fn new(library: &Library) -> Normalizer {
        let mut simplified = HashMap::new();
        let mut votes: HashMap<char, HashMap<String, usize>> = HashMap::new();
        let pairs = library
            .substances
            .iter()
            .map(|s| (&s.hanzi, &s.traditional, &s.pinyin))
            .chain(library.formulas.iter().map(|f| (&f.hanzi, &f.traditional, &f.pinyin)));
        for (plain, full, pinyin) in pairs {
            if plain.chars().count() == full.chars().count() {
                simplified.extend(full.chars().zip(plain.chars()).filter(|(f, p)| f != p));
            }
            for (c, syllable) in plain.chars().zip(pinyin.split_whitespace()) {
                *votes.entry(c).or_default().entry(latin_key(syllable)).or_default() += 1;
            }
        }
        // A standard simplified character is never mapped away, whatever a record says.
        let standard: Vec<char> = library.substances.iter().flat_map(|s| s.hanzi.chars()).collect();
        for c in &standard {
            simplified.remove(c);
        }
        let mut variants = Vec::new();
        for (from, to) in &library.words.variants {
            let mut f = from.chars();
            let mut t = to.chars();
            match (f.next(), f.next(), t.next(), t.next()) {
                (Some(a), None, Some(b), None) => {
                    simplified.insert(a, b);
                }
                _ => variants.push((from.clone(), to.clone())),
            }
        }
        let syllable = votes
            .into_iter()
            .filter_map(|(c, v)| {
                v.into_iter().max_by(|a, b| a.1.cmp(&b.1).then(b.0.cmp(&a.0))).map(|(s, _)| (c, s))
            })
            .collect();
        Normalizer { simplified, syllable, variants }
    }

    pub(crate) fn plain_char(&self, c: char) -> char {
        let c = match c {
            '\u{ff01}'..='\u{ff5e}' => char::from_u32(c as u32 - 0xfee0).unwrap_or(c),
            '\u{3000}' => ' ',
            other => other,
        };
        self.simplified.get(&c).copied().unwrap_or(c)
    }

    /// Hanzi of a name in one form: simplified, variants settled, nothing else kept.
    pub(crate) fn hanzi_key(&self, text: &str) -> String {
        let mut key: String = text.chars().map(|c| self.plain_char(c)).filter(|c| is_hanzi(*c)).collect();
        for (from, to) in &self.variants {
            if key.contains(from.as_str()) {
                key = key.replace(from.as_str(), to);
            }
        }
        key
    }

    /// A hanzi name read aloud, without tones, if every character is known.
    pub(crate) fn read_aloud(&self, hanzi: &str) -> Option<String> {
        hanzi.chars().map(|c| self.syllable.get(&c).map(String::as_str)).collect()
    }
}

/// Letters only, lower case, no marks; ü and v after l or n as u.
pub(crate) fn latin_key(text: &str) -> String {
    let mut key = String::with_capacity(text.len());
    let mut push = |c: char| {
        let c = c.to_ascii_lowercase();
        if c == 'v' && (key.ends_with('l') || key.ends_with('n')) {
            key.push('u');
        } else if c.is_ascii_lowercase() {
            key.push(c);
        }
    };
    if text.is_ascii() {
        text.chars().for_each(&mut push);
    } else {
        text.nfkd().filter(|c| !is_combining_mark(*c)).for_each(&mut push);
    }
    key
}

/// The words of a Latin or English name in alphabetical order, so that `Radix Astragali` meets `Astragali Radix`.
pub(crate) fn word_bag(text: &str) -> String {
    let mut words: Vec<String> = text
        .split(|c: char| c.is_whitespace() || matches!(c, '-' | ',' | '/' | '\''))
        .map(latin_key)
        .filter(|w| !w.is_empty() && w != "et" && w != "and" && w != "of")
        .collect();
    if words.len() < 2 {
        return String::new();
    }
    words.sort();
    words.concat()
}

/// Pinyin with its tones, for telling homophones apart: `huang2qi2`; empty where no tone is written.
pub(crate) fn toned_key(text: &str) -> String {
    let mut key = String::new();
    let mut tone = None;
    let mut any = false;
    let mut letters = String::new();
    let flush = |key: &mut String, letters: &mut String, tone: &mut Option<char>| {
        key.push_str(letters);
        if let Some(t) = tone.take() {
            key.push(t);
        }
        letters.clear();
    };
    for c in text.nfd() {
        match c {
            '\u{304}' | '\u{301}' | '\u{30c}' | '\u{300}' => {
                any = true;
                tone = Some(match c {
                    '\u{304}' => '1',
                    '\u{301}' => '2',
                    '\u{30c}' => '3',
                    _ => '4',
                });
                flush(&mut key, &mut letters, &mut tone);
            }
            '1'..='4' => {
                any = true;
                tone = Some(c);
                flush(&mut key, &mut letters, &mut tone);
            }
            c if c.is_ascii_alphabetic() => letters.push(c.to_ascii_lowercase()),
            _ => {}
        }
    }
    flush(&mut key, &mut letters, &mut tone);
    if any { tones_only(&key) } else { String::new() }
}

/// The row of tones alone: enough to tell apart names whose letters agree already.
fn tones_only(key: &str) -> String {
    key.chars().filter(char::is_ascii_digit).collect()
}
