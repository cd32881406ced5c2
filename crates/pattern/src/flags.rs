//! Red flags: words that mean that somebody has to be seen elsewhere first.

use fangwright_materia::records::Flag;
use fangwright_materia::{Materia, is_hanzi};
use schemars::JsonSchema;
use serde::Serialize;

/// A red flag that was raised.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct Raised {
    /// The record.
    pub flag: Flag,
    /// The words that raised it.
    pub by: Vec<String>,
}

/// A phrase, ready to be looked for.
struct Phrase {
    plain: String,
    hanzi: bool,
    written: String,
}

/// One flag's phrases.
struct Ready {
    names: Vec<Phrase>,
    ways: Vec<Vec<Vec<Phrase>>>,
}

/// The red flags of the data, ready to be looked for in many texts.
pub struct Flags {
    ready: Vec<Ready>,
    denials: Vec<String>,
    reaching: Vec<String>,
    no_denials: Vec<String>,
    denying: Vec<String>,
}

/// Stands for a mark that ends a clause, in plain text.
const STOP: char = '|';

/// Stands for the end of a sentence.
const END: char = '¶';

/// After these a denial does not hold any more.
const TURNS: [&str; 5] = [" but ", " complains ", " however ", "但", "主诉"];

/// How many words of English a denial reaches over.
const REACH: usize = 3;

/// Lower case, simplified, one space between words and at both ends; marks that end a clause become [`STOP`], those that
/// end a sentence [`END`].
fn plain(m: &Materia, text: &str) -> String {
    let mut out = String::from(" ");
    for c in text.to_lowercase().chars() {
        if is_hanzi(c) {
            out.push(m.plain_char(c));
        } else if c.is_alphanumeric() {
            out.push(c);
        } else if matches!(c, '.' | '。' | ';' | '；' | '\n' | '!' | '?' | '！' | '？') {
            out.push_str(if out.ends_with(' ') { "¶ " } else { " ¶ " });
        } else if matches!(c, ',' | '，') {
            out.push_str(if out.ends_with(' ') { "| " } else { " | " });
        } else if c == '、' {
            out.push(c);
        } else if !matches!(c, '\'' | '’') && !out.ends_with(' ') {
            out.push(' ');
        }
    }
    if !out.ends_with(' ') {
        out.push(' ');
    }
    out
}

impl Phrase {
    fn new(m: &Materia, written: &str) -> Phrase {
        let begins = written.ends_with('*');
        let mut plain = plain(m, written.trim_end_matches('*'));
        let hanzi = plain.chars().any(is_hanzi);
        if hanzi {
            plain = plain.trim().to_string();
        } else if begins {
            plain.truncate(plain.trim_end().len());
        }
        Phrase { plain, hanzi, written: written.trim_end_matches('*').into() }
    }
}

impl Flags {
    /// Makes the flags of the data ready.
    pub fn new(m: &Materia) -> Flags {
        let list = |words: &[String]| -> Vec<Phrase> { words.iter().map(|w| Phrase::new(m, w)).collect() };
        let ready = m.library().flags.iter().map(|flag| {
            let mut names = list(&flag.names);
            // The name of a flag is one of its phrases, unless it is made of several.
            if flag.ways.is_empty() {
                names.extend([&flag.en, &flag.zh].map(|w| Phrase::new(m, w)));
            }
            Ready { names, ways: flag.ways.iter().map(|way| way.iter().map(|l| list(l)).collect()).collect() }
        });
        let words = &m.library().words;
        Flags {
            ready: ready.collect(),
            denials: words.negations.clone(),
            reaching: words.reaching.clone(),
            no_denials: words.no_denials.clone(),
            denying: words.denying.clone(),
        }
    }

    fn is_denied(&self, before: &str, hanzi: bool) -> bool {
        // 否认 and `denies` hold for a whole sentence with its list.
        let sentence = before.rsplit(END).next().unwrap_or_default();
        let begins = |d: &String| {
            let at = sentence.rfind(d.as_str());
            at.is_some_and(|at| d.chars().any(is_hanzi) || sentence[..at].ends_with(' '))
        };
        if self.denying.iter().any(begins) && !TURNS.iter().any(|t| sentence.contains(t)) {
            return true;
        }
        let clause = before.rsplit([STOP, END]).next().unwrap_or_default();
        // A space parts two things in hanzi (过敏史：无 胸痛).
        let near = if hanzi { clause } else { clause.trim_end() };
        let directly = self.denials.iter().any(|d| {
            let rest = near.strip_suffix(d.as_str());
            rest.is_some_and(|rest| rest.is_empty() || d.chars().any(is_hanzi) || rest.ends_with(' '))
        });
        if directly {
            return true;
        }
        if hanzi {
            // 无胸痛黑便: a denial at the head of a clause holds for all of it, but 无力 denies nothing.
            let list = clause.trim();
            return self.reaching.iter().any(|d| list.starts_with(d.as_str()))
                && !self.no_denials.iter().any(|d| list.starts_with(d.as_str()));
        }
        let words: Vec<&str> = clause.split_whitespace().collect();
        let last = words.iter().rposition(|w| matches!(*w, "but" | "now" | "however" | "although" | "though"));
        let from = last.map_or(0, |i| i + 1).max(words.len().saturating_sub(REACH + 1));
        (from..words.len()).any(|i| {
            // `no relief from` and `never had … like this` deny something else.
            let other = |phrase: &String| {
                let mut rest = words[i..].iter();
                phrase.split(' ').all(|w| rest.next() == Some(&w))
            };
            self.reaching.iter().any(|d| d == words[i]) && !self.no_denials.iter().any(other)
        })
    }

    fn stands(&self, text: &str, phrase: &Phrase) -> bool {
        !phrase.plain.trim().is_empty()
            && text.match_indices(phrase.plain.as_str()).any(|(at, _)| !self.is_denied(&text[..at], phrase.hanzi))
    }

    /// The red flags that a text raises, the most urgent first. `who` is adult, child or pregnant; a flag for others is
    /// left out only where that is known.
    pub fn raised(&self, m: &Materia, text: &str, who: &[&str]) -> Vec<Raised> {
        let text = plain(m, text);
        let flags = m.library().flags.iter().zip(&self.ready);
        let mut raised: Vec<Raised> = flags
            .filter(|(f, _)| f.who.as_deref().is_none_or(|w| who.is_empty() || who.contains(&w)))
            .filter_map(|(flag, ready)| {
                let here = |p: &&Phrase| self.stands(&text, p);
                let mut by: Vec<String> = ready.names.iter().filter(here).map(|p| p.written.clone()).collect();
                if by.is_empty() {
                    by = ready.ways.iter().find_map(|way| {
                        way.iter().map(|any| any.iter().find(here).map(|p| p.written.clone())).collect()
                    })?;
                }
                by.dedup();
                Some(Raised { flag: flag.clone(), by })
            })
            .collect();
        raised.sort_by_key(|r| (r.flag.urgency, r.flag.id.clone()));
        raised
    }
}

/// The red flags that one text raises; see [`Flags::raised`].
pub fn red_flags(m: &Materia, text: &str, who: &[&str]) -> Vec<Raised> {
    Flags::new(m).raised(m, text, who)
}
