use std::borrow::Cow;

use fangwright_records::Library;
use rustc_hash::FxHashMap;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::normal::{Normalizer, Script, is_hanzi, latin_key, script_of, toned_key, word_bag};

/// By which door a name was found.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Via {
    /// The simplified or traditional name.
    Hanzi,
    /// Its pinyin.
    Pinyin,
    /// The pharmaceutical Latin name.
    Latin,
    /// The English name.
    English,
    /// A name in old books.
    Old,
    /// A regional name.
    Regional,
    /// A name in trade.
    Trade,
    /// The stable id.
    Id,
}

/// One record behind a spelling.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub(crate) struct Door {
    pub(crate) target: u32,
    pub(crate) via: Via,
    /// Row of tones as one number, for pinyin: 22 for second and second; 0 where none is known.
    pub(crate) tones: u32,
}

/// One spelling, brought to its plain form, and what it names.
#[derive(Debug, Serialize, Deserialize)]
pub(crate) struct Row<'a> {
    #[serde(borrow)]
    pub(crate) key: Cow<'a, str>,
    /// The spelling as the record has it.
    #[serde(borrow)]
    pub(crate) spelling: Cow<'a, str>,
    /// The key with the usual confusions of ear and keyboard taken out; see [`heard`].
    #[serde(borrow)]
    pub(crate) heard: Cow<'a, str>,
    /// Whether the record itself writes it so; else it is a reading of an alias in hanzi, or a name with its words in
    /// another order.
    pub(crate) written: bool,
    pub(crate) doors: Vec<Door>,
}

/// Rows of one script in the order of their length, with what a search looks at first standing close together.
#[derive(Debug, Serialize, Deserialize)]
pub(crate) struct Shelf<'a> {
    /// Numbers of the rows.
    pub(crate) rows: Vec<u32>,
    /// For each of them, the letters it holds; see [`letters`].
    pub(crate) letters: Vec<u64>,
    /// Their keys, one behind the other, and where each ends.
    #[serde(borrow)]
    text: Cow<'a, str>,
    ends: Vec<u32>,
    /// Where the rows of each length begin; one more at the end.
    starts: Vec<u32>,
}

impl Shelf<'_> {
    fn new(rows: &[Row<'_>], mut numbers: Vec<u32>) -> Shelf<'static> {
        let length = |i: &u32| rows[*i as usize].key.chars().count();
        numbers.sort_by_key(length);
        let longest = numbers.last().map_or(0, length);
        let starts = (0..=longest + 1).map(|l| numbers.partition_point(|i| length(i) < l) as u32).collect();
        let letters = numbers.iter().map(|i| letters(&rows[*i as usize].key)).collect();
        let mut text = String::new();
        let mut ends = Vec::with_capacity(numbers.len());
        for i in &numbers {
            text.push_str(&rows[*i as usize].key);
            ends.push(text.len() as u32);
        }
        Shelf { rows: numbers, letters, text: text.into(), ends, starts }
    }

    /// The key of the row at this place.
    pub(crate) fn key(&self, place: usize) -> &str {
        let start = place.checked_sub(1).map_or(0, |before| self.ends[before] as usize);
        &self.text[start..self.ends[place] as usize]
    }

    /// Where the rows of this length stand.
    pub(crate) fn of_length(&self, length: usize) -> std::ops::Range<usize> {
        let at = |length: usize| self.starts.get(length).map_or(self.rows.len(), |s| *s as usize);
        at(length)..at(length + 1)
    }

    /// The length of the longest name on it, in characters.
    pub(crate) fn longest(&self) -> usize {
        self.starts.len().saturating_sub(2)
    }
}

/// Every spelling of every record of one kind. Made in the build for what ships, so that a start need not make it.
#[derive(Debug, Serialize, Deserialize)]
pub(crate) struct Names<'a> {
    /// In the order of `hashes`.
    #[serde(borrow)]
    pub(crate) rows: Vec<Row<'a>>,
    /// Of the keys, ascending: a name is looked up without a walk through the rows.
    hashes: Vec<u64>,
    /// Rows in letters.
    #[serde(borrow)]
    pub(crate) latin: Shelf<'a>,
    /// Rows in hanzi.
    #[serde(borrow)]
    pub(crate) hanzi: Shelf<'a>,
}

/// A key with the usual confusions of ear and keyboard taken out.
pub(crate) fn heard(key: &str) -> String {
    let mut text = key.to_string();
    for (from, to) in
        [("zh", "z"), ("ch", "c"), ("sh", "s"), ("ng", "n"), ("hs", "x"), ("ts", "c"), ("yi", "i"), ("q", "c")]
    {
        if text.contains(from) {
            text = text.replace(from, to);
        }
    }
    text
}

/// All that the build packs into the binary. One shape for the build that writes it and the program that reads it.
#[derive(Serialize, Deserialize)]
pub(crate) struct Packed<'a> {
    pub(crate) library: Library,
    pub(crate) normalizer: Normalizer,
    #[serde(borrow)]
    pub(crate) substance_names: Names<'a>,
    #[serde(borrow)]
    pub(crate) formula_names: Names<'a>,
}

impl Packed<'static> {
    pub(crate) fn of(library: Library) -> Packed<'static> {
        let normalizer = Normalizer::new(&library);
        let substance_names = Names::of_substances(&library, &normalizer);
        let formula_names = Names::of_formulas(&library, &normalizer);
        Packed { library, normalizer, substance_names, formula_names }
    }
}

/// One bit for a letter that occurs, one more for a letter that occurs twice. An edit changes the count of at most two
/// letters by one, hence at most two bits: names that differ in more than `2 d` bits are more than `d` edits apart.
pub(crate) fn letters(key: &str) -> u64 {
    let mut once = 0u64;
    let mut twice = 0u64;
    for c in key.chars() {
        let bit = 1u64 << (if c.is_ascii_lowercase() { c as u32 - 'a' as u32 } else { (c as u32) % 31 });
        twice |= once & bit;
        once |= bit;
    }
    once | twice << 32
}

/// FNV-1a: the same on every machine, as the build that makes the index and the program that reads it may differ.
fn hash(key: &str) -> u64 {
    key.bytes().fold(0xcbf2_9ce4_8422_2325, |h, b| (h ^ u64::from(b)).wrapping_mul(0x0000_0100_0000_01b3))
}

impl Names<'_> {
    /// The row of exactly this key.
    pub(crate) fn row(&self, key: &str) -> Option<&Row<'_>> {
        let wanted = hash(key);
        let first = self.hashes.partition_point(|h| *h < wanted);
        let same = self.hashes[first..].iter().take_while(|h| **h == wanted).count();
        self.rows[first..first + same].iter().find(|r| r.key == key)
    }
}

#[derive(Default)]
struct Draft {
    /// Key → spelling, whether it is written so, and what it opens.
    rows: FxHashMap<String, (String, bool, Vec<Door>)>,
}

impl Draft {
    fn add(&mut self, key: String, target: u32, via: Via, tones: u32, spelling: &str) {
        self.file(key, target, via, tones, spelling, true);
    }

    fn file(&mut self, key: String, target: u32, via: Via, tones: u32, spelling: &str, written: bool) {
        if key.is_empty() {
            return;
        }
        let (_, so, doors) = self.rows.entry(key).or_insert_with(|| (spelling.to_string(), false, Vec::new()));
        *so |= written;
        if !doors.iter().any(|d| d.target == target && d.tones == tones) {
            doors.push(Door { target, via, tones });
        }
    }

    /// Files a name under its hanzi and its reading, or under its letters and its bag of words.
    fn add_name(&mut self, n: &Normalizer, name: &str, target: u32, via: Via) {
        if script_of(name) == Script::Hanzi {
            let key = n.hanzi_key(name);
            if let Some(read) = n.read_aloud(&key) {
                self.file(read, target, via, 0, name, false);
            }
            self.add(key, target, via, 0, name);
        } else {
            self.file(word_bag(name), target, via, 0, name, false);
            self.add(latin_key(name), target, via, 0, name);
        }
    }

    fn finish(self) -> Names<'static> {
        let mut rows: Vec<Row<'static>> = self
            .rows
            .into_iter()
            .map(|(key, (spelling, written, doors))| Row {
                heard: heard(&key).into(),
                key: key.into(),
                spelling: spelling.into(),
                written,
                doors,
            })
            .collect();
        rows.sort_by_cached_key(|r| (hash(&r.key), r.key.to_string()));
        let hashes = rows.iter().map(|r| hash(&r.key)).collect();
        let is_hanzi_row = |i: &u32| rows[*i as usize].key.starts_with(is_hanzi);
        let (hanzi, latin): (Vec<u32>, Vec<u32>) = (0..rows.len() as u32).partition(is_hanzi_row);
        Names { hanzi: Shelf::new(&rows, hanzi), latin: Shelf::new(&rows, latin), rows, hashes }
    }
}

impl Names<'_> {
    pub(crate) fn of_substances(library: &Library, n: &Normalizer) -> Names<'static> {
        let mut names = Draft::default();
        for (s, i) in library.substances.iter().zip(0..) {
            names.add(n.hanzi_key(&s.hanzi), i, Via::Hanzi, 0, &s.hanzi);
            names.add(n.hanzi_key(&s.traditional), i, Via::Hanzi, 0, &s.traditional);
            names.add(latin_key(&s.pinyin), i, Via::Pinyin, toned_key(&s.pinyin), &s.pinyin);
            names.add(latin_key(&s.id), i, Via::Id, toned_key(&s.pinyin), &s.pinyin);
        }
        // Principal names in other readings of their characters.
        for (s, i) in library.substances.iter().zip(0..) {
            let syllables: Vec<String> = s.pinyin.split_whitespace().map(latin_key).collect();
            for (at, c) in s.hanzi.chars().enumerate() {
                let others = library.words.readings.get(c.encode_utf8(&mut [0; 4]) as &str);
                for other in others.into_iter().flatten().filter(|_| syllables.len() == s.hanzi.chars().count()) {
                    let mut read = syllables.clone();
                    read[at] = latin_key(other);
                    let key = read.concat();
                    // Never over a name that stands for something else.
                    if !names.rows.contains_key(&key) {
                        names.add(key, i, Via::Pinyin, 0, &s.pinyin);
                    }
                }
            }
        }
        // Aliases after all principal names: where both would claim a reading, the principal name stands first.
        for (s, i) in library.substances.iter().zip(0..) {
            names.add_name(n, &s.latin, i, Via::Latin);
            names.add_name(n, &s.english, i, Via::English);
            for (list, via) in [(&s.old, Via::Old), (&s.regional, Via::Regional), (&s.trade, Via::Trade)] {
                for alias in list {
                    names.add_name(n, alias, i, via);
                }
            }
        }
        names.finish()
    }

    pub(crate) fn of_formulas(library: &Library, n: &Normalizer) -> Names<'static> {
        let mut names = Draft::default();
        for (f, i) in library.formulas.iter().zip(0..) {
            names.add(n.hanzi_key(&f.hanzi), i, Via::Hanzi, 0, &f.hanzi);
            names.add(n.hanzi_key(&f.traditional), i, Via::Hanzi, 0, &f.traditional);
            names.add(latin_key(&f.pinyin), i, Via::Pinyin, toned_key(&f.pinyin), &f.pinyin);
            names.add(latin_key(&f.id), i, Via::Id, toned_key(&f.pinyin), &f.pinyin);
            names.add_name(n, &f.english, i, Via::English);
        }
        for (f, i) in library.formulas.iter().zip(0..) {
            for alias in &f.aliases {
                names.add_name(n, alias, i, Via::Old);
            }
        }
        names.finish()
    }
}
