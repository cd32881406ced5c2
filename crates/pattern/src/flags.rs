//! Red flags: words that mean that somebody has to be seen elsewhere first.

use fangwright_materia::records::{Flag, Urgency};
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

/// Lower case, simplified, one space between words, a space at both ends.
fn plain(m: &Materia, text: &str) -> String {
    let mut out = String::from(" ");
    for c in text.to_lowercase().chars() {
        if is_hanzi(c) {
            out.push(m.plain_char(c));
        } else if c.is_alphanumeric() {
            out.push(c);
        } else if !out.ends_with(' ') {
            out.push(' ');
        }
    }
    if !out.ends_with(' ') {
        out.push(' ');
    }
    out
}

/// Whether a phrase stands in a text; English at the borders of words, and not behind a denial.
fn stands(m: &Materia, text: &str, phrase: &str) -> bool {
    let phrase = plain(m, phrase);
    let bare = phrase.trim();
    if bare.is_empty() {
        return false;
    }
    let hanzi = bare.chars().any(is_hanzi);
    let needle = if hanzi { bare } else { phrase.as_str() };
    let denials = &m.library().words.negations;
    text.match_indices(needle).any(|(at, _)| {
        let before = text[..at].trim_end();
        !denials.iter().any(|d| {
            let whole = before.strip_suffix(d.as_str());
            whole.is_some_and(|rest| rest.is_empty() || d.chars().any(is_hanzi) || rest.ends_with(' '))
        })
    })
}

/// The red flags that a text raises, the most urgent first. `who` is adult, child or pregnant; a flag for others is
/// left out only where that is known.
pub fn red_flags(m: &Materia, text: &str, who: &[&str]) -> Vec<Raised> {
    let text = plain(m, text);
    let mut raised: Vec<Raised> = m
        .library()
        .flags
        .iter()
        .filter(|f| match f.who.as_deref() {
            None => true,
            Some(w) => who.is_empty() || who.contains(&w),
        })
        .filter_map(|flag| {
            // The name of a flag is one of its phrases, unless it is made of several.
            let own = [&flag.en, &flag.zh].into_iter().filter(|_| flag.all.is_empty());
            let phrases = flag.names.iter().chain(own);
            let found: Vec<String> = phrases.filter(|n| stands(m, &text, n)).cloned().collect();
            if !found.is_empty() {
                return Some(Raised { flag: flag.clone(), by: found });
            }
            if flag.all.is_empty() {
                return None;
            }
            let each: Option<Vec<String>> =
                flag.all.iter().map(|any| any.iter().find(|n| stands(m, &text, n)).cloned()).collect();
            each.map(|by| Raised { flag: flag.clone(), by })
        })
        .collect();
    raised.sort_by_key(|r| (r.flag.urgency == Urgency::Today, r.flag.id.clone()));
    raised
}
