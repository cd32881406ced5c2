use rustc_hash::FxHashMap as HashMap;

use fangwright_records::Library;
use serde::{Deserialize, Serialize};
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

/// Whether this is a Chinese character.
pub fn is_hanzi(c: char) -> bool {
    matches!(c, '\u{3400}'..='\u{9fff}' | '\u{f900}'..='\u{faff}' | '\u{20000}'..='\u{3ffff}')
}

/// Brings spellings to one form. Its character tables are read off the records themselves.
#[derive(Debug, Serialize, Deserialize)]
pub(crate) struct Normalizer {
    simplified: HashMap<char, char>,
    syllable: HashMap<char, String>,
    /// Variant spellings of more than one character.
    variants: Vec<(String, String)>,
    /// The characters that variants begin with: most names hold none of them.
    variant_heads: Vec<char>,
}

impl Normalizer {
    pub(crate) fn new(library: &Library) -> Normalizer {
        let mut simplified: HashMap<char, char> = library.traditional.iter().copied().collect();
        let mut votes: HashMap<char, HashMap<String, usize>> = HashMap::default();
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
        for c in library.substances.iter().flat_map(|s| s.hanzi.chars()) {
            simplified.remove(&c);
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
            .filter_map(|(c, v)| v.into_iter().max_by(|a, b| a.1.cmp(&b.1).then(b.0.cmp(&a.0))).map(|(s, _)| (c, s)))
            .collect();
        let variant_heads = variants.iter().filter_map(|(f, _)| f.chars().next()).collect();
        Normalizer { simplified, syllable, variants, variant_heads }
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
        if !key.contains(self.variant_heads.as_slice()) {
            return key;
        }
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

/// The tones of pinyin as one number, for telling homophones apart: 22 for `huáng qí`; 0 where no tone is written.
pub(crate) fn toned_key(text: &str) -> u32 {
    let mut tones: u32 = 0;
    for c in text.nfd() {
        let tone = match c {
            '\u{304}' | '1' => 1,
            '\u{301}' | '2' => 2,
            '\u{30c}' | '3' => 3,
            '\u{300}' | '4' => 4,
            _ => continue,
        };
        tones = tones.wrapping_mul(10).wrapping_add(tone);
    }
    tones
}
