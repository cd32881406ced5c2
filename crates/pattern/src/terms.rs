//! Findings by their words: free text in English and Chinese, with what could not be read.

use fangwright_formula::Span;
use fangwright_materia::records::FindingKind;
use fangwright_materia::{Materia, is_hanzi};
use rapidfuzz::distance::levenshtein;
use rustc_hash::FxHashMap;
use schemars::JsonSchema;
use serde::Serialize;

/// Number of a finding in [`Terms`].
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct FindingIx(pub u16);

/// Every word that findings go by.
pub struct Terms {
    ids: Vec<String>,
    names: FxHashMap<String, u16>,
    /// Most words in an English name, most characters in a Chinese one.
    longest: (usize, usize),
    implied: Vec<Vec<u16>>,
    against: Vec<Vec<u16>>,
    negations: Vec<String>,
    fillers: Vec<String>,
    /// Phrases in hanzi that are not one finding.
    others: FxHashMap<String, Other>,
    /// Parts of the body that stand before what is wrong there, the longest first.
    sites: Vec<String>,
    /// Characters behind which qualities stand without them.
    heads: Vec<char>,
}

/// A word of the text that no finding goes by.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct UnreadWord {
    /// As written.
    pub text: String,
    /// Where.
    pub span: Span,
    /// The finding whose name is nearest, if one is near.
    pub nearest: Option<String>,
}

/// What a phrase comes to that is not one finding.
enum Other {
    /// Several findings at once.
    Several(Vec<u16>),
    /// Nothing of the patient.
    Nothing,
    /// No finding, though parts of it look like one: it comes back unread as a whole.
    Unread,
}

/// What a text says.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Noted {
    /// What is there, with its place.
    pub present: Vec<(FindingIx, Span)>,
    /// What is said not to be there.
    pub absent: Vec<(FindingIx, Span)>,
    /// What could not be read.
    pub unread: Vec<UnreadWord>,
}

/// A word without its plural, so that `chill` and `chills` are one.
fn stem(word: &str) -> &str {
    match word.strip_suffix('s') {
        Some(short) if short.len() > 2 && !short.ends_with(['s', 'u', 'i']) => short,
        _ => word,
    }
}

fn english_key(words: &[&str]) -> String {
    words.iter().map(|w| stem(w)).collect::<Vec<_>>().join(" ")
}

fn words_of(text: &str) -> Vec<&str> {
    text.split(|c: char| !(c.is_alphanumeric() || c == '\'' || c == '\u{2019}')).filter(|w| !w.is_empty()).collect()
}

impl Terms {
    /// Indexes the findings of the data.
    pub fn new(m: &Materia) -> Terms {
        let library = m.library();
        let ids: Vec<String> = library.findings.keys().cloned().collect();
        let number = |id: &String| ids.binary_search(id).ok().map(|i| i as u16);
        let mut names = FxHashMap::default();
        let mut longest = (1, 1);
        for (i, (id, f)) in (0u16..).zip(library.findings.iter()) {
            let spelled = id.replace('-', " ");
            for name in [&f.zh, &f.en, &spelled].into_iter().chain(&f.names) {
                let key = if name.chars().any(is_hanzi) {
                    let key: String = name.chars().filter(|c| is_hanzi(*c)).map(|c| m.plain_char(c)).collect();
                    longest.1 = longest.1.max(key.chars().count());
                    key
                } else {
                    let lower = name.to_lowercase();
                    let words = words_of(&lower);
                    longest.0 = longest.0.max(words.len());
                    english_key(&words)
                };
                names.entry(key).or_insert(i);
            }
        }
        let list = |ids: &[String]| ids.iter().filter_map(number).collect::<Vec<u16>>();
        let direct: Vec<Vec<u16>> = library.findings.values().map(|f| list(&f.implies)).collect();
        let implied = (0..ids.len() as u16)
            .map(|start| {
                let mut all: Vec<u16> = direct[start as usize].clone();
                let mut at = 0;
                while let Some(x) = all.get(at).copied() {
                    at += 1;
                    for next in &direct[x as usize] {
                        if !all.contains(next) && *next != start {
                            all.push(*next);
                        }
                    }
                }
                all
            })
            .collect();
        let mut against: Vec<Vec<u16>> = library.findings.values().map(|f| list(&f.against)).collect();
        for i in 0..against.len() {
            for j in against[i].clone() {
                if !against[j as usize].contains(&(i as u16)) {
                    against[j as usize].push(i as u16);
                }
            }
        }
        let words = &library.words;
        let mut others = FxHashMap::default();
        let mut other = |text: &str, what: Other| {
            let key: String = text.chars().filter(|c| is_hanzi(*c)).map(|c| m.plain_char(c)).collect();
            if !key.is_empty() {
                longest.1 = longest.1.max(key.chars().count());
                others.insert(key, what);
            }
        };
        words.fillers.iter().filter(|f| f.chars().count() > 1).for_each(|f| other(f, Other::Nothing));
        words.not_findings.iter().for_each(|g| other(g, Other::Unread));
        words.joined.iter().for_each(|(text, ids)| other(text, Other::Several(list(ids))));
        Terms {
            names,
            others,
            longest,
            implied,
            against,
            negations: words.negations.clone(),
            fillers: words.fillers.clone(),
            sites: {
                let mut sites: Vec<String> =
                    words.sites.iter().map(|s| s.chars().map(|c| m.plain_char(c)).collect()).collect();
                sites.sort_by_key(|s| std::cmp::Reverse(s.chars().count()));
                sites
            },
            heads: words.heads.iter().filter_map(|h| h.chars().next()).collect(),
            ids,
        }
    }

    /// How many findings there are.
    pub fn len(&self) -> usize {
        self.ids.len()
    }

    /// Whether there are none.
    pub fn is_empty(&self) -> bool {
        self.ids.is_empty()
    }

    /// The id of a finding.
    pub fn id(&self, f: FindingIx) -> &str {
        &self.ids[f.0 as usize]
    }

    /// The finding with this id.
    pub fn by_id(&self, id: &str) -> Option<FindingIx> {
        self.ids.binary_search_by(|x| x.as_str().cmp(id)).ok().map(|i| FindingIx(i as u16))
    }

    /// What a finding brings with it.
    pub fn implied(&self, f: FindingIx) -> impl Iterator<Item = FindingIx> + '_ {
        self.implied[f.0 as usize].iter().map(|i| FindingIx(*i))
    }

    /// What contradicts a finding.
    pub fn against(&self, f: FindingIx) -> impl Iterator<Item = FindingIx> + '_ {
        self.against[f.0 as usize].iter().map(|i| FindingIx(*i))
    }

    /// The finding that exactly this word or phrase means.
    pub fn exact(&self, m: &Materia, text: &str) -> Option<FindingIx> {
        let key = if text.chars().any(is_hanzi) {
            text.chars().filter(|c| is_hanzi(*c)).map(|c| m.plain_char(c)).collect()
        } else {
            let lower = text.to_lowercase();
            english_key(&words_of(&lower))
        };
        self.names.get(&key).map(|i| FindingIx(*i))
    }

    fn nearest(&self, text: &str) -> Option<String> {
        let lower = text.to_lowercase();
        let near = self.names.iter().map(|(name, i)| (levenshtein::distance(lower.chars(), name.chars()), name, *i));
        let allowed = 1 + lower.chars().count() / 5;
        let (_, _, i) = near.filter(|(d, _, _)| *d <= allowed).min_by_key(|(d, name, _)| (*d, name.as_str()))?;
        Some(self.ids[i as usize].clone())
    }

    /// Reads findings from free text. Nothing is dropped in silence: what no finding goes by comes back.
    pub fn read(&self, m: &Materia, text: &str) -> Noted {
        let mut noted = self.read_known(m, text);
        for word in &mut noted.unread {
            word.nearest = self.nearest(&word.text);
        }
        noted
    }

    /// The same, without looking for what an unread word may have meant: quicker by far.
    pub fn read_known(&self, m: &Materia, text: &str) -> Noted {
        let mut noted = Noted::default();
        let mut at = 0;
        // A clause ends at a mark; a negation does not reach beyond it.
        while at < text.len() {
            let rest = &text[at..];
            let Some(first) = rest.chars().next() else { break };
            if is_hanzi(first) {
                let end = rest.find(|c: char| !is_hanzi(c)).map_or(text.len(), |e| at + e);
                self.chinese(m, text, at..end, &mut noted);
                at = end;
            } else if first.is_alphanumeric() {
                let stop = |c: char| is_hanzi(c) || matches!(c, ',' | ';' | '.' | '\n' | ':' | '/' | '(' | ')');
                let end = rest.find(stop).map_or(text.len(), |e| at + e);
                self.english(text, at..end, &mut noted);
                at = end;
            } else {
                at += first.len_utf8();
            }
        }
        noted
    }

    fn note(&self, f: u16, span: Span, negated: bool, noted: &mut Noted) {
        let list = if negated { &mut noted.absent } else { &mut noted.present };
        if !list.iter().any(|(x, _)| x.0 == f) {
            list.push((FindingIx(f), span));
        }
    }

    fn chinese(&self, m: &Materia, text: &str, range: std::ops::Range<usize>, noted: &mut Noted) {
        let run: Vec<(usize, char)> =
            text[range.clone()].char_indices().map(|(i, c)| (range.start + i, m.plain_char(c))).collect();
        let place = |i: usize| run.get(i).map_or(range.end, |(at, _)| *at);
        let longest = |from: usize| {
            (1..=self.longest.1.min(run.len() - from)).rev().find_map(|n| {
                let key: String = run[from..from + n].iter().map(|(_, c)| *c).collect();
                self.names.get(&key).map(|f| (n, *f))
            })
        };
        let longest_other = |from: usize| {
            (2..=self.longest.1.min(run.len() - from)).rev().find_map(|n| {
                let key: String = run[from..from + n].iter().map(|(_, c)| *c).collect();
                self.others.get(&key).map(|other| (n, other))
            })
        };
        // Behind `pulse`, `tongue` or `coating` single qualities follow without repeating it: 脉浮紧 is 脉浮 and 脉紧.
        let quality = |head: char, from: usize| {
            (1..=3.min(run.len() - from)).rev().find_map(|n| {
                let rest: String = run[from..from + n].iter().map(|(_, c)| *c).collect();
                let named = [format!("{head}{rest}"), format!("{rest}{head}")];
                named.iter().find_map(|key| self.names.get(key)).map(|f| (n, *f))
            })
        };
        // Old books join places and what is wrong there: 头目昏痛 is dizziness and pain of the head, and the eyes dim and sore.
        let sites_at = |from: usize| {
            let mut sites: Vec<&str> = Vec::new();
            let mut at = from;
            while sites.len() < 3
                && let Some(site) = self.sites.iter().find(|site| {
                    let n = site.chars().count();
                    at + n <= run.len() && site.chars().zip(&run[at..]).all(|(a, (_, b))| a == *b)
                })
            {
                sites.push(site);
                at += site.chars().count();
            }
            (sites, at)
        };
        let joined = |from: usize| -> Option<(usize, Vec<u16>)> {
            let (sites, mid) = sites_at(from);
            // The whole of what follows as one quality, or cut in two.
            (1..=4.min(run.len() - mid)).rev().find_map(|n| {
                let part = |a: usize, b: usize| run[mid + a..mid + b].iter().map(|(_, c)| *c).collect::<String>();
                let ways = std::iter::once(vec![part(0, n)]).chain((1..n).map(|cut| vec![part(0, cut), part(cut, n)]));
                ways.filter(|qualities| sites.len() + qualities.len() > 2).find_map(|qualities| {
                    let known = |site: &str, quality: &str| self.names.get(&format!("{site}{quality}")).copied();
                    let every_site = sites.iter().all(|s| qualities.iter().any(|q| known(s, q).is_some()));
                    let every_quality = qualities.iter().all(|q| sites.iter().any(|s| known(s, q).is_some()));
                    let pairs = sites.iter().flat_map(|s| qualities.iter().filter_map(move |q| known(s, q)));
                    (every_site && every_quality).then(|| (mid + n - from, pairs.collect()))
                })
            })
        };
        let mut head: Option<char> = None;
        let mut unread: Option<usize> = None;
        let close = |unread: &mut Option<usize>, until: usize, noted: &mut Noted| {
            if let Some(from) = unread.take() {
                let span = Span { start: place(from), end: place(until) };
                let word = &text[span.start..span.end];
                if !self.fillers.iter().any(|f| f == word) {
                    noted.unread.push(UnreadWord { text: word.into(), span, nearest: None });
                }
            }
        };
        let mut i = 0;
        while i < run.len() {
            let here = longest(i);
            if let Some((n, other)) = longest_other(i)
                && here.is_none_or(|(direct, _)| n > direct)
            {
                match other {
                    Other::Unread => {
                        unread.get_or_insert(i);
                    }
                    Other::Nothing => close(&mut unread, i, noted),
                    Other::Several(all) => {
                        close(&mut unread, i, noted);
                        let span = Span { start: place(i), end: place(i + n) };
                        all.iter().for_each(|f| self.note(*f, span, false, noted));
                    }
                }
                i += n;
                continue;
            }
            if let Some((n, all)) = joined(i)
                && here.is_none_or(|(direct, _)| n > direct)
            {
                close(&mut unread, i, noted);
                all.into_iter().for_each(|f| self.note(f, Span { start: place(i), end: place(i + n) }, false, noted));
                i += n;
                continue;
            }
            if let Some(h) = head
                && here.is_none_or(|(n, _)| n < 2)
                && let Some((n, f)) = quality(h, i)
            {
                close(&mut unread, i, noted);
                self.note(f, Span { start: place(i), end: place(i + n) }, false, noted);
                i += n;
                continue;
            }
            if let Some((n, f)) = here {
                close(&mut unread, i, noted);
                self.note(f, Span { start: place(i), end: place(i + n) }, false, noted);
                let first = run[i].1;
                head = if self.heads.contains(&first) { Some(first) } else { head };
                i += n;
                continue;
            }
            if self.heads.contains(&run[i].1) {
                close(&mut unread, i, noted);
                head = Some(run[i].1);
                i += 1;
                continue;
            }
            // A negation before a finding.
            let negation = self.negations.iter().find_map(|neg| {
                let n = neg.chars().count();
                let fits = neg.chars().zip(&run[i..]).filter(|(a, (_, b))| a == b).count() == n;
                (fits && n > 0 && i + n < run.len()).then(|| longest(i + n).map(|(l, f)| (n, l, f))).flatten()
            });
            if let Some((n, l, f)) = negation {
                close(&mut unread, i, noted);
                self.note(f, Span { start: place(i), end: place(i + n + l) }, true, noted);
                i += n + l;
                continue;
            }
            let one: String = run[i].1.into();
            if self.fillers.contains(&one) {
                close(&mut unread, i, noted);
            } else {
                unread.get_or_insert(i);
            }
            i += 1;
        }
        close(&mut unread, run.len(), noted);
    }

    fn english(&self, text: &str, range: std::ops::Range<usize>, noted: &mut Noted) {
        let lower = text[range.clone()].to_lowercase();
        // Lower case may have another length for a few letters; the places are then those of the lower text.
        let words: Vec<(usize, &str)> =
            words_of(&lower).into_iter().map(|w| (w.as_ptr() as usize - lower.as_ptr() as usize, w)).collect();
        let span = |from: usize, to: usize| Span {
            start: (range.start + words[from].0).min(text.len()),
            end: (range.start + words[to - 1].0 + words[to - 1].1.len()).min(text.len()),
        };
        let longest = |from: usize| {
            (1..=self.longest.0.min(words.len() - from)).rev().find_map(|n| {
                let part: Vec<&str> = words[from..from + n].iter().map(|w| w.1).collect();
                self.names.get(&english_key(&part)).map(|f| (n, *f))
            })
        };
        let mut unread: Option<usize> = None;
        let close = |unread: &mut Option<usize>, until: usize, noted: &mut Noted| {
            if let Some(from) = unread.take() {
                let span = span(from, until);
                let word = text.get(span.start..span.end).unwrap_or_default().to_string();
                noted.unread.push(UnreadWord { text: word, span, nearest: None });
            }
        };
        let mut negated = false;
        let mut i = 0;
        while i < words.len() {
            if let Some((n, f)) = longest(i) {
                close(&mut unread, i, noted);
                self.note(f, span(i, i + n), negated, noted);
                // `no fever or chills` denies both; a word of joining in between keeps it.
                negated &= words.get(i + n).is_some_and(|w| matches!(w.1, "or" | "nor"));
                i += n;
                continue;
            }
            let word = words[i].1;
            if self.negations.iter().any(|n| n == word) {
                close(&mut unread, i, noted);
                negated = true;
            } else if self.fillers.iter().any(|f| f == word) {
                close(&mut unread, i, noted);
            } else {
                unread.get_or_insert(i);
            }
            i += 1;
        }
        close(&mut unread, words.len(), noted);
    }

    /// What kind of thing a finding is.
    pub fn kind(&self, m: &Materia, f: FindingIx) -> Option<FindingKind> {
        m.library().findings.get(self.id(f)).map(|x| x.kind)
    }
}
