use fangwright_records::{Ambiguous, Process, Toxicity};
use rapidfuzz::distance::osa;
use schemars::JsonSchema;
use serde::Serialize;

pub use crate::index::Via;
use crate::index::{Door, Names, Shelf, heard, letters};
use crate::normal::{Normalizer, Script, is_hanzi, latin_key, script_of, toned_key, word_bag};
use crate::{FormulaIx, Materia, SubstanceIx};

/// A name that is near to what was typed.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct Near<T> {
    /// What it names.
    pub target: T,
    /// The spelling it is near to.
    pub spelling: String,
    /// Letters or characters changed, left out, doubled or exchanged.
    pub distance: u32,
}

impl<T> Near<T> {
    pub(crate) fn map<U>(self, f: impl FnOnce(T) -> U) -> Near<U> {
        Near { target: f(self.target), spelling: self.spelling, distance: self.distance }
    }
}

/// What a name means.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
#[serde(tag = "is", rename_all = "kebab-case")]
pub enum Resolution<T> {
    /// One thing, and the name is spelt right.
    Known {
        /// What is meant.
        substance: T,
        /// Which of its names this is.
        via: Via,
        /// A process named beside it for which there is no record of its own.
        unrecorded_process: Option<Process>,
        /// Words beside the name that do not change what is meant.
        beside: Vec<String>,
    },
    /// Not a name we hold, but one letter or so from exactly one.
    Misspelt {
        /// What is probably meant.
        substance: T,
        /// The spelling it was read as.
        read_as: String,
        /// How many letters differ.
        distance: u32,
    },
    /// Several things go by this name; only a person can say which.
    Ambiguous {
        /// What it may mean.
        candidates: Vec<T>,
        /// What tells them apart.
        tells: String,
        /// What a wrong guess can do; may be empty.
        hazard: String,
    },
    /// No such name; the nearest ones.
    Unknown {
        /// Nearest names first.
        nearest: Vec<Near<T>>,
    },
}

impl<T: Copy> Resolution<T> {
    /// The one thing that is meant, if it is one.
    pub fn settled(&self) -> Option<T> {
        match self {
            Resolution::Known { substance, .. } | Resolution::Misspelt { substance, .. } => Some(*substance),
            _ => None,
        }
    }
}

impl Names<'_> {
    fn exact(&self, key: &str) -> Option<&[Door]> {
        self.row(key).map(|r| r.doors.as_slice())
    }

    pub(crate) fn hanzi_prefixes(&self, text: &str, n: &Normalizer) -> Vec<usize> {
        let mut ends = Vec::new();
        let mut raw = String::new();
        for (at, c) in text.char_indices().take(self.hanzi.longest() + 1) {
            if !is_hanzi(n.plain_char(c)) {
                break;
            }
            raw.push(c);
            if self.row(&n.hanzi_key(&raw)).is_some() {
                ends.push(at + c.len_utf8());
            }
        }
        ends.reverse();
        ends
    }

    pub(crate) fn nearest(&self, name: &str, n: &Normalizer, count: usize) -> Vec<Near<u32>> {
        self.near(name, n, Within { enough: count, most: WIDEST }).into_iter().map(|r| r.near).take(count).collect()
    }

    /// The nearest names in a circle, all that are no more than one slip farther than the very nearest, and then as many
    /// as are wanted.
    fn near(&self, name: &str, n: &Normalizer, within: Within) -> Vec<Ranked> {
        let (key, shelf) = match script_of(name) {
            Script::Hanzi => (n.hanzi_key(name), &self.hanzi),
            Script::Latin => (latin_key(name), &self.latin),
        };
        let mut found = self.near_key(&key, shelf, within);
        if script_of(name) == Script::Hanzi
            && let Some(read) = n.read_aloud(&key)
            && let Some(doors) = self.exact(&read)
        {
            // Homophones: the commonest slip in hanzi is a wrong character that sounds right.
            for door in doors.iter().rev() {
                found.retain(|f| f.near.target != door.target);
                let near = Near { target: door.target, spelling: self.spelling_of(&read), distance: 1 };
                found.insert(0, Ranked { near, rank: 0 });
            }
        }
        found
    }

    fn spelling_of(&self, key: &str) -> String {
        self.row(key).map_or_else(|| key.to_string(), |r| r.spelling.to_string())
    }

    fn near_key(&self, key: &str, shelf: &Shelf<'_>, within: Within) -> Vec<Ranked> {
        let length = key.chars().count();
        if length == 0 || within.enough == 0 {
            return Vec::new();
        }
        let widest = length.div_ceil(2).clamp(1, WIDEST).min(within.most);
        // Most slips are small. To look no farther at first lets most rows be passed over by their letters alone.
        let narrow = widest.min(3);
        match self.circle(key, length, shelf, narrow, within.enough) {
            (list, complete) if complete || narrow == widest => list,
            _ => self.circle(key, length, shelf, widest, within.enough).0,
        }
    }

    /// Goes outward ring by ring, up to `most` slips. A row waits for the ring of the least distance that its length and
    /// letters allow. The second value says whether the search ended of itself: one ring behind the first that had a name
    /// in it, or later when enough were found.
    fn circle(&self, key: &str, length: usize, shelf: &Shelf<'_>, most: usize, enough: usize) -> (Vec<Ranked>, bool) {
        let signature = letters(key);
        let (ruler, heard_ruler) = (Ruler::new(key), Ruler::new(&heard(key)));
        let mut waiting: [Vec<u32>; WIDEST + 1] = Default::default();
        let mut later: [Vec<u32>; WIDEST + 1] = Default::default();
        let mut found: Vec<(u32, u32, u32, std::cmp::Reverse<usize>, u32)> = Vec::new();
        let mut first = None;
        let mut complete = false;
        for reach in 0..=most {
            // Names that are this much longer or shorter come within reach only now.
            let shorter = length.checked_sub(reach).filter(|_| reach > 0);
            for other in shorter.into_iter().chain([length + reach]) {
                let range = shelf.of_length(other);
                for (letters, place) in shelf.letters[range.clone()].iter().zip(range) {
                    // Half the letters that differ is the weaker bound, and one step; it lets few through.
                    if (signature ^ letters).count_ones() as usize > 2 * most {
                        continue;
                    }
                    let least = reach.max(least_distance(signature, *letters));
                    if least <= most {
                        waiting[least].push(place as u32);
                    }
                }
            }
            for place in std::mem::take(&mut waiting[reach]) {
                if let Some(distance) = ruler.distance(shelf.key(place as usize), most) {
                    later[distance].push(shelf.rows[place as usize]);
                }
            }
            for at in std::mem::take(&mut later[reach]) {
                let row = &self.rows[at as usize];
                let by_ear = heard_ruler.distance(&row.heard, usize::MAX).unwrap_or(reach) as u32;
                let rank = reach as u32 + by_ear + if row.written { 0 } else { UNWRITTEN };
                let start = u32::from(key.chars().next() != row.key.chars().next());
                found.push((rank, start, reach as u32, std::cmp::Reverse(row.key.len()), at));
                first.get_or_insert(reach);
            }
            if first.is_some_and(|f| reach > f) && found.len() >= enough {
                complete = true;
                break;
            }
        }
        found.sort_unstable();
        let mut list: Vec<Ranked> = Vec::new();
        let nearest = found.first().map_or((0, 0), |f| (f.0, f.2));
        for (rank, _, distance, _, at) in found {
            // What is a step behind both by rank and by letters decides nothing.
            if list.len() >= enough && rank > nearest.0 + 1 && distance > nearest.1 {
                break;
            }
            let row = &self.rows[at as usize];
            for door in &row.doors {
                if list.iter().all(|r| r.near.target != door.target) {
                    let near = Near { target: door.target, spelling: row.spelling.to_string(), distance };
                    list.push(Ranked { near, rank });
                }
            }
        }
        complete |= list.len() >= enough;
        (list, complete)
    }
}

/// A name with its place in the order of nearness: letters that differ, sounds that differ, and a step behind for a
/// spelling that no record writes. Confusions of the ear (zh and z, ng and n) so count half a slip.
struct Ranked {
    near: Near<u32>,
    rank: u32,
}

/// How far behind a spelling stands that no record writes so.
const UNWRITTEN: u32 = 2;

/// The circle in which names are looked for.
#[derive(Clone, Copy)]
struct Within {
    /// How many names are wanted at least.
    enough: usize,
    /// How many slips at most.
    most: usize,
}

/// The farthest that a name is looked for.
const WIDEST: usize = 6;

/// No fewer edits lie between two names than letters that only the one has, nor than letters that only the other has.
fn least_distance(a: u64, b: u64) -> usize {
    (a & !b).count_ones().max((b & !a).count_ones()) as usize
}

/// Measures the distance from one name to many.
enum Ruler {
    /// Of up to 64 letters: where each letter stands in the name, as bits.
    Letters {
        places: [u64; 26],
        length: u32,
    },
    Any(osa::BatchComparator<char>),
}

impl Ruler {
    fn new(key: &str) -> Ruler {
        if key.len() > 64 || key.is_empty() || !key.bytes().all(|b| b.is_ascii_lowercase()) {
            return Ruler::Any(osa::BatchComparator::new(key.chars()));
        }
        let mut places = [0; 26];
        for (i, b) in key.bytes().enumerate() {
            places[usize::from(b - b'a')] |= 1 << i;
        }
        Ruler::Letters { places, length: key.len() as u32 }
    }

    /// Letters changed, left out, put in or exchanged with their neighbour, if not more than `most`.
    fn distance(&self, other: &str, most: usize) -> Option<usize> {
        let (places, length) = match self {
            Ruler::Letters { places, length } => (places, *length),
            Ruler::Any(comparator) => {
                let args = osa::Args::default().score_cutoff(most);
                return comparator.distance_with_args(other.chars(), &args);
            }
        };
        // Hyyrö's bit-parallel form of the distance: one column of the table in a few words.
        let last = length - 1;
        let (mut up, mut down, mut diagonal, mut before) = (u64::MAX, 0u64, 0u64, 0u64);
        let mut distance = length as usize;
        for b in other.bytes() {
            let here = places.get(usize::from(b.wrapping_sub(b'a'))).copied().unwrap_or(0);
            let exchanged = ((!diagonal & here) << 1) & before;
            diagonal = ((here & up).wrapping_add(up) ^ up) | here | down | exchanged;
            let right = down | !(diagonal | up);
            let left = diagonal & up;
            distance = distance + (right >> last & 1) as usize - (left >> last & 1) as usize;
            let right = right << 1 | 1;
            up = left << 1 | !(diagonal | right);
            down = right & diagonal;
            before = here;
        }
        Some(distance).filter(|d| *d <= most)
    }
}

/// How many letters a slip may have before a name is no longer taken for another.
fn allowance(length: usize, script: Script) -> u32 {
    match (script, length) {
        // Another character is another herb (过山龙 is not 穿山龙); only what sounds alike is a slip, see `heard_alike`.
        (Script::Hanzi, _) => 0,
        (_, 0..=4) => 0,
        (_, 5..=8) => 1,
        (_, 9..=14) => 2,
        _ => 3,
    }
}

struct Stripped<'a> {
    rest: String,
    process: Option<Process>,
    beside: Vec<&'a str>,
}

/// The name without one word before or after it that says how, where from or how good.
fn strip_one<'a>(m: &'a Materia, name: &str) -> Vec<Stripped<'a>> {
    let words = &m.library.words;
    let hanzi = script_of(name) == Script::Hanzi;
    let lower = name.to_lowercase();
    let by_process = words.process.iter().flat_map(|(p, list)| list.iter().map(move |w| (w, Some(p))));
    let others = [&words.raw, &words.origin, &words.quality].into_iter().flatten().map(|w| (w, None));
    let mut found = Vec::new();
    for (word, process) in by_process.chain(others) {
        let rests = if hanzi {
            [name.strip_prefix(word.as_str()), name.strip_suffix(word.as_str())]
        } else {
            let spaced = |r: &&str| r.starts_with([' ', '-']) || r.ends_with([' ', '-']);
            [lower.strip_prefix(word.as_str()).filter(spaced), lower.strip_suffix(word.as_str()).filter(spaced)]
        };
        for rest in rests.into_iter().flatten() {
            let rest = rest.trim_matches([' ', '-']);
            if !rest.is_empty() && (script_of(word) == Script::Hanzi) == hanzi {
                let process = process.and_then(|p| Process::from_word(p));
                found.push(Stripped { rest: rest.to_string(), process, beside: vec![word.as_str()] });
            }
        }
    }
    // The longest word first; few words fit, so only those are sorted.
    found.sort_by_key(|s| std::cmp::Reverse(s.beside[0].chars().count()));
    found
}

/// Whether the letters of `text` may be `key`, by the first one: most are not, and that is seen without reading on.
fn may_spell(text: &str, key: &str) -> bool {
    match text.chars().next() {
        Some(c) if c.is_ascii_alphabetic() => key.starts_with(c.to_ascii_lowercase()),
        Some(c) => !is_hanzi(c),
        None => key.is_empty(),
    }
}

fn ambiguous_entry<'a>(m: &'a Materia, key: &str, read: bool) -> Option<&'a Ambiguous> {
    m.library.ambiguous.iter().find(|a| {
        let names = std::iter::once(&a.name).chain(&a.also);
        if read {
            may_spell(&a.pinyin, key) && latin_key(&a.pinyin) == key
                || names.filter(|n| may_spell(n, key) && script_of(n) == Script::Latin).any(|n| latin_key(n) == key)
        } else {
            names.into_iter().any(|n| m.normalizer.hanzi_key(n) == key)
        }
    })
}

enum Hit {
    One(u32, Via),
    Many(Resolution<SubstanceIx>),
    None,
}

fn look_up(m: &Materia, name: &str) -> Hit {
    let hanzi = script_of(name) == Script::Hanzi;
    let key = if hanzi { m.normalizer.hanzi_key(name) } else { latin_key(name) };
    if let Some(entry) = ambiguous_entry(m, &key, !hanzi) {
        return Hit::Many(Resolution::Ambiguous {
            candidates: entry.candidates.iter().filter_map(|c| m.substance_by_id(c)).collect(),
            tells: entry.tells.clone(),
            hazard: entry.hazard.clone(),
        });
    }
    let doors = m.substance_names.exact(&key).or_else(|| {
        let bag = word_bag(name);
        if hanzi || bag.is_empty() { None } else { m.substance_names.exact(&bag) }
    });
    let Some(doors) = doors else { return Hit::None };
    match settle(doors, name) {
        Ok(door) => Hit::One(door.target, door.via),
        Err(targets) => Hit::Many(Resolution::Ambiguous {
            candidates: targets.iter().map(|t| SubstanceIx(*t)).collect(),
            tells: homophones(m, &targets),
            hazard: String::new(),
        }),
    }
}

fn homophones(m: &Materia, targets: &[u32]) -> String {
    let list: Vec<String> = targets
        .iter()
        .map(|t| {
            let s = m.substance(SubstanceIx(*t));
            format!("{} {} ({})", s.hanzi, s.pinyin, s.english)
        })
        .collect();
    format!("they are written alike without tones: {}; write the hanzi or the tones", list.join("; "))
}

/// The one door that the name goes through: the only one, the only one with those tones, or a principal name
/// before an alias.
fn settle<'a>(doors: &'a [Door], name: &str) -> Result<&'a Door, Vec<u32>> {
    let mut targets: Vec<u32> = doors.iter().map(|d| d.target).collect();
    targets.dedup();
    let first = &doors[0];
    if targets.iter().all(|t| *t == first.target) {
        return Ok(first);
    }
    let tones = toned_key(name);
    if tones != 0 {
        let same: Vec<&Door> = doors.iter().filter(|d| d.tones == tones).collect();
        if let [one] = same.as_slice() {
            return Ok(one);
        }
    }
    let principal: Vec<&Door> =
        doors.iter().filter(|d| matches!(d.via, Via::Hanzi | Via::Pinyin | Via::Latin | Via::Id)).collect();
    if let Some(one) = principal.first()
        && principal.iter().all(|d| d.target == one.target)
    {
        return Ok(one);
    }
    targets.sort_unstable();
    targets.dedup();
    Err(targets)
}

/// Whether the name stands as it is in the index or in the list of ambiguous names.
pub(crate) fn is_name(m: &Materia, name: &str) -> bool {
    !matches!(look_up(m, name), Hit::None)
}

pub(crate) fn resolve_substance(m: &Materia, name: &str) -> Resolution<SubstanceIx> {
    let name = name.trim();
    match look_up(m, name) {
        Hit::One(target, via) => {
            return Resolution::Known {
                substance: SubstanceIx(target),
                via,
                unrecorded_process: None,
                beside: Vec::new(),
            };
        }
        Hit::Many(resolution) => return resolution,
        Hit::None => {}
    }
    if let Some(found) = resolve_with_words(m, name) {
        return found;
    }
    let script = script_of(name);
    let key = match script {
        Script::Hanzi => m.normalizer.hanzi_key(name),
        Script::Latin => latin_key(name),
    };
    let length = key.chars().count();
    // A slip that is allowed, and a rival one slip farther: what lies beyond decides nothing. Hanzi may be farther, as
    // they may sound alike.
    let most = match script {
        Script::Hanzi => WIDEST,
        Script::Latin => allowance(length, script) as usize + 1,
    };
    let ranked: Vec<(Near<SubstanceIx>, u32)> = m
        .substance_names
        .near(name, &m.normalizer, Within { enough: 5, most })
        .into_iter()
        .map(|r| (r.near.map(SubstanceIx), r.rank))
        .collect();
    if let Some((best, rank)) = ranked.first()
        && (best.distance <= allowance(length, script) || heard_alike(m, &key, best))
    {
        // A rival is as near, or nearer by its letters alone. Where one is toxic and the other is not, one step farther
        // or as many letters away is too near as well, wherever in the list it stands.
        let toxic =
            |n: &Near<SubstanceIx>| !matches!(m.substance(n.target).toxicity, Toxicity::None | Toxicity::Slight);
        let rivals: Vec<&Near<SubstanceIx>> = ranked[1..]
            .iter()
            .filter(|(n, r)| {
                let other_side = toxic(n) != toxic(best);
                *r <= rank + u32::from(other_side) || n.distance < best.distance + u32::from(other_side)
            })
            .map(|(n, _)| n)
            .collect();
        let deadly = rivals.iter().any(|r| toxic(r) != toxic(best));
        if rivals.is_empty() {
            // A slip for a name that is itself ambiguous is ambiguous still.
            if let Some(entry) = ambiguous_near(m, &key, script, best.distance) {
                return Resolution::Ambiguous {
                    candidates: entry.candidates.iter().filter_map(|c| m.substance_by_id(c)).collect(),
                    tells: entry.tells.clone(),
                    hazard: entry.hazard.clone(),
                };
            }
            return Resolution::Misspelt {
                substance: best.target,
                read_as: best.spelling.clone(),
                distance: best.distance,
            };
        }
        return Resolution::Ambiguous {
            candidates: std::iter::once(best).chain(rivals).map(|n| n.target).take(6).collect(),
            tells: "the spelling lies between these names; write the one that is meant".into(),
            hazard: if deadly { "one of them is toxic, so it is not guessed".into() } else { String::new() },
        };
    }
    if let Some(entry) = ambiguous_near(m, &key, script, allowance(length, script)) {
        return Resolution::Ambiguous {
            candidates: entry.candidates.iter().filter_map(|c| m.substance_by_id(c)).collect(),
            tells: entry.tells.clone(),
            hazard: entry.hazard.clone(),
        };
    }
    Resolution::Unknown { nearest: m.nearest(name, 5) }
}

fn heard_alike(m: &Materia, key: &str, best: &Near<SubstanceIx>) -> bool {
    key.chars().all(is_hanzi)
        && m.normalizer.read_aloud(key).is_some_and(|read| latin_key(&m.substance(best.target).pinyin) == read)
}

fn ambiguous_near<'a>(m: &'a Materia, key: &str, script: Script, reach: u32) -> Option<&'a Ambiguous> {
    if script == Script::Hanzi || reach == 0 {
        return None;
    }
    let ruler = Ruler::new(key);
    let length = key.chars().count();
    m.library.ambiguous.iter().find(|a| {
        // A letter with a mark is one letter of the key, so lengths can be compared before the marks are off.
        let letters = a.pinyin.chars().filter(|c| c.is_alphabetic()).count();
        letters.abs_diff(length) <= reach as usize && ruler.distance(&latin_key(&a.pinyin), reach as usize).is_some()
    })
}

/// Takes up to three words off a name and puts the process among them back on what is left.
fn resolve_with_words(m: &Materia, name: &str) -> Option<Resolution<SubstanceIx>> {
    let mut ring = vec![Stripped { rest: name.to_string(), process: None, beside: Vec::new() }];
    for _ in 0..3 {
        let mut next = Vec::new();
        for at in &ring {
            for step in strip_one(m, &at.rest) {
                if at.process.is_some() && step.process.is_some() {
                    continue;
                }
                let mut beside = at.beside.clone();
                beside.extend(step.beside);
                next.push(Stripped { rest: step.rest, process: at.process.or(step.process), beside });
            }
        }
        next.truncate(400);
        let mut fallback = None;
        for at in &next {
            let (target, via) = match look_up(m, &at.rest) {
                Hit::One(target, via) => (SubstanceIx(target), via),
                Hit::Many(resolution) => {
                    fallback.get_or_insert(resolution);
                    continue;
                }
                Hit::None => continue,
            };
            let beside: Vec<String> = at.beside.iter().map(|w| (*w).to_string()).collect();
            let Some(process) = at.process else {
                fallback.get_or_insert(Resolution::Known { substance: target, via, unrecorded_process: None, beside });
                continue;
            };
            if let Some(made) = m.processed_form(target, process) {
                return Some(Resolution::Known { substance: made, via, unrecorded_process: None, beside });
            }
            fallback.get_or_insert(Resolution::Known {
                substance: target,
                via,
                unrecorded_process: Some(process),
                beside,
            });
        }
        if fallback.is_some() {
            return fallback;
        }
        ring = next;
    }
    None
}

pub(crate) fn resolve_formula(m: &Materia, name: &str) -> Resolution<FormulaIx> {
    let name = name.trim();
    let script = script_of(name);
    let key = match script {
        Script::Hanzi => m.normalizer.hanzi_key(name),
        Script::Latin => latin_key(name),
    };
    let doors = m.formula_names.exact(&key).or_else(|| m.formula_names.exact(&word_bag(name)));
    if let Some(doors) = doors {
        return match settle(doors, name) {
            Ok(door) => Resolution::Known {
                substance: FormulaIx(door.target),
                via: door.via,
                unrecorded_process: None,
                beside: Vec::new(),
            },
            Err(targets) => {
                let list: Vec<String> = targets
                    .iter()
                    .map(|t| {
                        let f = m.formula(FormulaIx(*t));
                        format!("{} {} ({})", f.hanzi, f.pinyin, f.source.source)
                    })
                    .collect();
                Resolution::Ambiguous {
                    candidates: targets.into_iter().map(FormulaIx).collect(),
                    tells: format!("{}; write the hanzi, the tones or the id", list.join("; ")),
                    hazard: String::new(),
                }
            }
        };
    }
    let nearest: Vec<Near<FormulaIx>> =
        m.formula_names.nearest(name, &m.normalizer, 5).into_iter().map(|n| n.map(FormulaIx)).collect();
    let length = key.chars().count();
    match (nearest.first(), nearest.get(1)) {
        (Some(best), rival)
            if best.distance <= allowance(length, script) && rival.is_none_or(|r| r.distance > best.distance) =>
        {
            Resolution::Misspelt { substance: best.target, read_as: best.spelling.clone(), distance: best.distance }
        }
        _ => Resolution::Unknown { nearest },
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The bit-parallel distance against the library's, over names of every length and slips of every kind.
    #[test]
    fn the_ruler_measures_as_the_library_does() {
        let mut seed = 3u64;
        let mut random = |n: usize| {
            seed = seed.wrapping_mul(6364136223846793005).wrapping_add(1442695040888963407);
            (seed >> 33) as usize % n
        };
        for _ in 0..20_000 {
            let length = 1 + random(14);
            // Few different letters, so that exchanges and repeats are common.
            let a: Vec<u8> = (0..length).map(|_| b'a' + random(4) as u8).collect();
            let mut b = a.clone();
            for _ in 0..random(5) {
                let at = random(b.len());
                match random(4) {
                    0 if b.len() > 1 => drop(b.remove(at)),
                    1 => b.insert(at, b'a' + random(5) as u8),
                    2 if at + 1 < b.len() => b.swap(at, at + 1),
                    _ => b[at] = b'a' + random(5) as u8,
                }
            }
            let (a, b) = (String::from_utf8(a).unwrap(), String::from_utf8(b).unwrap());
            let wanted = osa::distance(a.chars(), b.chars());
            assert_eq!(Ruler::new(&a).distance(&b, usize::MAX), Some(wanted), "{a} {b}");
            assert!(least_distance(letters(&a), letters(&b)) <= wanted, "{a} {b}");
        }
    }

    /// A toxic neighbour is not passed over because another stands before it.
    #[test]
    fn no_harmless_reading_next_to_a_toxic_one() {
        let m = Materia::embedded();
        let toxic = |s: SubstanceIx| !matches!(m.substance(s).toxicity, Toxicity::None | Toxicity::Slight);
        let mut settled = 0;
        for (_, s) in m.substances() {
            let key = latin_key(&s.pinyin);
            for at in 0..key.len() {
                let mut slip = key.clone();
                slip.remove(at);
                if let Resolution::Misspelt { substance, distance, .. } = m.resolve(&slip) {
                    settled += 1;
                    for other in m.nearest(&slip, 8) {
                        assert!(
                            other.distance > distance || toxic(other.target) == toxic(substance),
                            "{slip}: {} or {}",
                            m.substance(substance).id,
                            m.substance(other.target).id
                        );
                    }
                }
            }
        }
        assert!(settled > 500, "{settled}");
    }
}
