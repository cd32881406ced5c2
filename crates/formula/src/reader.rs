//! From text to prescription. Every character of the input ends up in exactly one token; problems point at theirs.

use std::collections::BTreeMap;
use std::ops::Range as Bytes;

use fangwright_amount::{Amount, Rational, Unit};
use fangwright_materia::records::{Pot, Process};
use fangwright_materia::{FormulaIx, Materia, Resolution, SubstanceIx, is_hanzi};
use schemars::JsonSchema;
use serde::Serialize;

/// The most bytes that are read as one prescription.
pub const LARGEST: usize = 256 * 1024;

/// A place in the input, in bytes: from `start` up to but without `end`.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, JsonSchema)]
pub struct Span {
    /// First byte.
    pub start: usize,
    /// One past the last byte.
    pub end: usize,
}

impl From<Bytes<usize>> for Span {
    fn from(r: Bytes<usize>) -> Span {
        Span { start: r.start, end: r.end }
    }
}

/// What a piece of the input is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum TokenKind {
    /// Spaces, commas, line ends.
    Gap,
    /// Name of a substance, or what stands in the place of one.
    Name,
    /// Name of a formula.
    Formula,
    /// Number and unit.
    Amount,
    /// "each" or "equal parts".
    Each,
    /// What stands in brackets.
    Note,
    /// A word that brings in or takes out.
    Operator,
    /// Number of doses or packs.
    Doses,
    /// Number of days.
    Days,
    /// How to cook or take it.
    Direction,
    /// An invisible mark.
    Mark,
    /// Something that could not be read; a diagnostic points at it.
    Unread,
}

/// One piece of the input.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct Token {
    /// What it is.
    pub kind: TokenKind,
    /// Where it is.
    pub span: Span,
}

/// How much a diagnostic weighs.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Weight {
    /// Said so that nothing happens in silence.
    Note,
    /// Probably meant, but look.
    Warning,
    /// The prescription cannot stand as it is.
    Error,
}

/// Something to say about a place in the input.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct Diagnostic {
    /// How much it weighs.
    pub weight: Weight,
    /// A stable word for programs, such as `unknown-name`.
    pub code: String,
    /// Where.
    pub span: Span,
    /// What is wrong.
    pub message: String,
    /// What to do.
    pub help: String,
}

/// An amount in the input; `upto` where a range was written.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct Written {
    /// The amount, or the lower end.
    pub amount: Amount,
    /// The upper end of a range.
    pub upto: Option<Amount>,
    /// Where it stands.
    pub span: Span,
}

/// One ingredient as read.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct Item {
    /// The name as typed.
    pub name: String,
    /// Where the name stands.
    pub span: Span,
    /// What the name means.
    pub means: Resolution<SubstanceIx>,
    /// How much.
    pub amount: Option<Written>,
    /// What stood in brackets beside it.
    pub notes: Vec<String>,
    /// Handling in the pot that was written.
    pub pot: Vec<Pot>,
    /// The formula it was brought in by, where a formula was named.
    pub from: Option<FormulaIx>,
}

/// A prescription as read.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema, Default)]
pub struct Prescription {
    /// Ingredients in the order of the input.
    pub items: Vec<Item>,
    /// Formulas named in it.
    pub formulas: Vec<FormulaIx>,
    /// Substances it says are left out.
    pub left_out: Vec<SubstanceIx>,
    /// How many doses, if it says so.
    pub doses: Option<Rational>,
    /// For how many days, if it says so.
    pub days: Option<Rational>,
    /// Directions, word for word.
    pub directions: Vec<String>,
    /// Every piece of the input, in order, without gap or overlap.
    pub tokens: Vec<Token>,
    /// What is to be said.
    pub diagnostics: Vec<Diagnostic>,
}

impl Prescription {
    /// Whether anything stands in the way of using it.
    pub fn has_errors(&self) -> bool {
        self.diagnostics.iter().any(|d| d.weight == Weight::Error)
    }

    /// The substances that are settled, in order, each once.
    pub fn substances(&self) -> Vec<SubstanceIx> {
        let mut list = Vec::new();
        for s in self.items.iter().filter_map(|i| i.means.settled()) {
            if !list.contains(&s) {
                list.push(s);
            }
        }
        list
    }
}

/// Reads bytes that may not be text at all.
///
/// # Errors
/// A single diagnostic where the input is not UTF-8 text, or larger than [`LARGEST`].
pub fn read_bytes(materia: &Materia, bytes: &[u8]) -> Result<Prescription, Diagnostic> {
    if bytes.len() > LARGEST {
        return Err(Diagnostic {
            weight: Weight::Error,
            code: "too-large".into(),
            span: (LARGEST..LARGEST).into(),
            message: format!("the input has {} bytes; a prescription is read up to {LARGEST}", bytes.len()),
            help: "give one prescription at a time".into(),
        });
    }
    match std::str::from_utf8(bytes) {
        Ok(text) => Ok(read(materia, text)),
        Err(error) => Err(Diagnostic {
            weight: Weight::Error,
            code: "not-text".into(),
            span: (error.valid_up_to()..error.valid_up_to() + 1).into(),
            message: format!("the input is not UTF-8 text: byte {} does not belong to it", error.valid_up_to()),
            help: "save the prescription as plain text in UTF-8".into(),
        }),
    }
}

/// Reads a prescription. Whatever is wrong is among its diagnostics; nothing of the input is lost.
///
/// ```
/// use fangwright_formula::read;
/// let materia = fangwright_materia::Materia::embedded();
/// let rx = read(&materia, "桂枝三钱, bai shao 9g, Zhi Gan Cao 6 g (先煎)");
/// assert_eq!(rx.items.len(), 3);
/// assert_eq!(rx.items[0].amount.as_ref().map(|a| a.amount.to_string()), Some("3 qian".into()));
/// ```
pub fn read(materia: &Materia, text: &str) -> Prescription {
    let mut r = Reader::new(materia, text);
    r.run();
    r.finish()
}

#[derive(Clone, Copy, PartialEq)]
enum Mode {
    Bring,
    TakeOut,
}

struct Reader<'a> {
    m: &'a Materia,
    text: &'a str,
    at: usize,
    rx: Prescription,
    mode: Mode,
    /// First item of the group that a following "each" speaks of.
    group: usize,
    /// An amount that stood before its name.
    waiting: Option<Written>,
    units: BTreeMap<&'a str, Unit>,
}

fn digit(c: char) -> Option<char> {
    match c {
        '0'..='9' => Some(c),
        '０'..='９' => char::from_u32(c as u32 - 0xfee0),
        _ => None,
    }
}

fn vulgar(c: char) -> Option<(i128, i128)> {
    Some(match c {
        '½' => (1, 2),
        '⅓' => (1, 3),
        '⅔' => (2, 3),
        '¼' => (1, 4),
        '¾' => (3, 4),
        '⅛' => (1, 8),
        _ => return None,
    })
}

fn numeral(c: char) -> Option<i128> {
    Some(match c {
        '〇' | '零' => 0,
        '一' | '壹' => 1,
        '二' | '贰' => 2,
        '三' | '叁' => 3,
        '四' => 4,
        '五' => 5,
        '六' => 6,
        '七' => 7,
        '八' => 8,
        '九' => 9,
        _ => return None,
    })
}

fn is_letter(c: char) -> bool {
    c.is_alphabetic() && !is_hanzi(c) || matches!(c, '\u{300}' | '\u{301}' | '\u{304}' | '\u{308}' | '\u{30c}')
}

fn is_mark(c: char) -> bool {
    matches!(c, '\u{200b}'..='\u{200f}' | '\u{202a}'..='\u{202e}' | '\u{2060}'..='\u{2069}' | '\u{feff}' | '\u{ad}')
        || (c.is_control() && !matches!(c, '\n' | '\r' | '\t'))
}

fn closing(open: char) -> Option<char> {
    Some(match open {
        '(' => ')',
        '（' => '）',
        '[' => ']',
        '【' => '】',
        '〔' => '〕',
        '{' => '}',
        '〈' => '〉',
        '《' => '》',
        _ => return None,
    })
}

fn is_closing(c: char) -> bool {
    matches!(c, ')' | '）' | ']' | '】' | '〕' | '}' | '〉' | '》')
}

/// The end that goes with `open`, written either way: a full-width bracket may close a plain one.
fn closes(open: char, c: char) -> bool {
    closing(open) == Some(c) || matches!((open, c), ('(', '）') | ('（', ')'))
}

impl<'a> Reader<'a> {
    fn new(m: &'a Materia, text: &'a str) -> Reader<'a> {
        let units = m.library().unit_spellings.iter().map(|(s, u)| (s.as_str(), *u)).collect();
        Reader { m, text, at: 0, rx: Prescription::default(), mode: Mode::Bring, group: 0, waiting: None, units }
    }

    fn rest(&self) -> &'a str {
        &self.text[self.at..]
    }

    fn peek(&self) -> Option<char> {
        self.rest().chars().next()
    }

    fn token(&mut self, kind: TokenKind, span: Bytes<usize>) {
        if !span.is_empty() {
            self.rx.tokens.push(Token { kind, span: span.into() });
        }
    }

    fn say(
        &mut self,
        weight: Weight,
        code: &str,
        span: Bytes<usize>,
        message: impl Into<String>,
        help: impl Into<String>,
    ) {
        self.rx.diagnostics.push(Diagnostic {
            weight,
            code: code.into(),
            span: span.into(),
            message: message.into(),
            help: help.into(),
        });
    }

    fn run(&mut self) {
        if self.text.trim().is_empty() {
            self.say(
                Weight::Error,
                "empty",
                0..self.text.len(),
                "there is nothing to read",
                "write at least one ingredient, such as `桂枝 9g`",
            );
            self.token(TokenKind::Gap, 0..self.text.len());
            return;
        }
        while let Some(c) = self.peek() {
            let before = self.at;
            self.step(c);
            if self.at == before {
                // Never stand still: what no rule takes is marked as unread.
                self.unread(c.len_utf8());
            }
        }
    }

    fn unread(&mut self, bytes: usize) {
        let span = self.at..self.at + bytes;
        let what = self.text[span.clone()].to_string();
        self.token(TokenKind::Unread, span.clone());
        self.say(
            Weight::Warning,
            "not-read",
            span,
            format!("`{what}` has no meaning here"),
            "remove it, or put it in brackets as a note",
        );
        self.at += bytes;
    }

    fn step(&mut self, c: char) {
        if is_mark(c) {
            let end = self.at + c.len_utf8();
            let (span, shown) = (self.at..end, format!("U+{:04X}", c as u32));
            self.token(TokenKind::Mark, span.clone());
            self.say(
                Weight::Warning,
                "invisible",
                span,
                format!("an invisible character stands here ({shown})"),
                "remove it; it was passed over",
            );
            self.at = end;
        } else if c.is_whitespace()
            || matches!(
                c,
                ',' | '，'
                    | '、'
                    | ';'
                    | '；'
                    | '。'
                    | '.'
                    | ':'
                    | '：'
                    | '|'
                    | '•'
                    | '·'
                    | '*'
                    | '—'
                    | '–'
                    | '!'
                    | '！'
                    | '?'
                    | '？'
                    | '"'
                    | '“'
                    | '”'
                    | '='
            )
        {
            self.gap(c);
        } else if closing(c).is_some() {
            self.bracket(c);
        } else if is_closing(c) {
            let span = self.at..self.at + c.len_utf8();
            self.token(TokenKind::Unread, span.clone());
            self.say(
                Weight::Error,
                "unbalanced",
                span.clone(),
                format!("`{c}` closes a bracket that was not opened"),
                "remove it, or open the bracket before it",
            );
            self.at = span.end;
        } else if let Some(end) = self.number_at(self.at) {
            self.amount(end);
        } else if is_hanzi(c) {
            self.hanzi();
        } else if is_letter(c) {
            self.latin();
        } else if matches!(c, '+' | '＋') {
            self.operator(Mode::Bring, c.len_utf8());
        } else if matches!(c, '-' | '－' | '−') {
            self.dash(c);
        } else if matches!(c, '×' | '/' | '%' | '~' | '～') {
            let end = self.at + c.len_utf8();
            self.token(TokenKind::Gap, self.at..end);
            self.at = end;
        }
    }

    fn gap(&mut self, c: char) {
        let end = self.at + c.len_utf8();
        self.token(TokenKind::Gap, self.at..end);
        // The end of a line or sentence ends an amount that waits for a name, and the words before it.
        if matches!(c, '\n' | ';' | '；' | '。') {
            self.drop_waiting();
            if self.mode == Mode::TakeOut {
                self.mode = Mode::Bring;
            }
        }
        self.at = end;
    }

    fn drop_waiting(&mut self) {
        if let Some(w) = self.waiting.take() {
            self.say(
                Weight::Error,
                "amount-without-name",
                w.span.start..w.span.end,
                "this amount belongs to no name",
                "write the name before or after it",
            );
        }
    }

    fn operator(&mut self, mode: Mode, bytes: usize) {
        self.token(TokenKind::Operator, self.at..self.at + bytes);
        self.mode = mode;
        self.at += bytes;
    }

    fn dash(&mut self, c: char) {
        let end = self.at + c.len_utf8();
        let spaced_before = self.at == 0 || self.text[..self.at].ends_with(|c: char| c.is_whitespace());
        let next = self.text[end..].chars().next();
        let number_next = next.and_then(digit).is_some();
        if spaced_before && number_next && !self.rx.items.is_empty() {
            // `-3g`: a dose below nothing.
            let number = self.number_at(end).unwrap_or(end);
            let (unit, stop) = self.unit_at(number);
            let stop = if unit.is_some() { stop } else { number };
            let span = self.at..stop;
            self.token(TokenKind::Unread, span.clone());
            self.say(
                Weight::Error,
                "negative",
                span,
                "a dose below zero",
                "write the dose without the minus sign; to leave an ingredient out write `minus` and its name",
            );
            if let Some(last) = self.rx.items.last_mut() {
                last.notes.push(self.text[self.at..stop].to_string());
            }
            self.at = stop;
        } else if spaced_before
            && next.is_some_and(char::is_whitespace)
            && !self.rx.formulas.is_empty()
            && !self.number_follows(end)
        {
            self.operator(Mode::TakeOut, c.len_utf8());
        } else {
            self.token(TokenKind::Gap, self.at..end);
            self.at = end;
        }
    }

    fn number_follows(&self, from: usize) -> bool {
        let skip = self.text[from..].len() - self.text[from..].trim_start().len();
        self.number_at(from + skip).is_some()
    }

    fn bracket(&mut self, open: char) {
        let start = self.at;
        let inner = start + open.len_utf8();
        let mut depth = 1;
        let mut end = None;
        for (i, c) in self.text[inner..].char_indices() {
            if c == '\n' {
                break;
            }
            if c == open {
                depth += 1;
            } else if closes(open, c) {
                depth -= 1;
                if depth == 0 {
                    end = Some((inner + i, inner + i + c.len_utf8()));
                    break;
                }
            }
        }
        let Some((stop, end)) = end else {
            self.token(TokenKind::Unread, start..inner);
            self.say(
                Weight::Error,
                "unbalanced",
                start..inner,
                format!("`{open}` is not closed on this line"),
                "close the bracket; what follows was read as if it were not there",
            );
            self.at = inner;
            return;
        };
        let note = self.text[inner..stop].trim();
        self.token(TokenKind::Note, start..end);
        self.at = end;
        self.note(note, inner..stop);
    }

    /// What stands in brackets: an amount, a process, handling in the pot, or words to keep.
    fn note(&mut self, note: &'a str, span: Bytes<usize>) {
        if note.is_empty() {
            return;
        }
        let lead = self.text[span.clone()].len() - self.text[span.clone()].trim_start().len();
        let from = span.start + lead;
        if let Some(end) = self.number_at(from)
            && let Some((written, stop)) = self.amount_at(from, end)
            && stop <= span.end
            && self.text[stop..span.end].trim().is_empty()
        {
            match self.rx.items.last_mut() {
                Some(item) if item.amount.is_none() => {
                    self.check_amount(&written);
                    if let Some(item) = self.rx.items.last_mut() {
                        item.amount = Some(written);
                    }
                    return;
                }
                _ => {}
            }
        }
        let m = self.m;
        let plain: String = note.chars().map(|c| m.plain_char(c)).collect::<String>().to_lowercase();
        let words = &m.library().words;
        let mut pot = Vec::new();
        for (name, list) in &words.pot {
            if list
                .iter()
                .any(|w| plain.contains(w.as_str()) && (w.chars().any(is_hanzi) || plain == *w || w.contains(' ')))
            {
                pot.extend(Pot::from_word(name));
            }
        }
        let mut process = None;
        for (name, list) in &words.process {
            if list.contains(&plain) {
                process = Process::from_word(name);
            }
        }
        let Some(item) = self.rx.items.last_mut() else {
            self.say(Weight::Note, "note-kept", span, "a note before any name; it is kept with the directions", "");
            self.rx.directions.push(note.to_string());
            return;
        };
        item.notes.push(note.to_string());
        for p in pot {
            if !item.pot.contains(&p) {
                item.pot.push(p);
            }
        }
        if let (Some(process), Some(target)) = (process, item.means.settled())
            && m.substance(target).process.is_none()
        {
            match m.processed_form(target, process) {
                Some(made) => {
                    if let Resolution::Known { substance, .. } | Resolution::Misspelt { substance, .. } =
                        &mut item.means
                    {
                        *substance = made;
                    }
                }
                None => {
                    let name = m.substance(target).pinyin.clone();
                    self.say(
                        Weight::Note,
                        "process-unrecorded",
                        span,
                        format!("{name} {process} has no record of its own; the record of {name} is used"),
                        "read the properties with that in mind, or add a record in your own folder",
                    );
                }
            }
        }
    }

    /// Where a number that begins at `from` ends.
    fn number_at(&self, from: usize) -> Option<usize> {
        let rest = self.text.get(from..)?;
        let first = rest.chars().next()?;
        if digit(first).is_some() || vulgar(first).is_some() {
            let mut end = from;
            let mut chars = rest.char_indices().peekable();
            let mut seen_stroke = false;
            while let Some((i, c)) = chars.next() {
                let next = chars.peek().map(|(_, c)| *c);
                let good = digit(c).is_some()
                    || vulgar(c).is_some()
                    || (matches!(c, '.' | '．' | ',' | '，')
                        && next.is_some_and(|n| digit(n).is_some())
                        && self.comma_is_decimal(from + i, c))
                    || (matches!(c, '/' | '／' | '⁄') && !seen_stroke && next.is_some_and(|n| digit(n).is_some()));
                if matches!(c, '/' | '／' | '⁄') {
                    seen_stroke = true;
                }
                if !good {
                    break;
                }
                end = from + i + c.len_utf8();
            }
            // A mixed number: `1 1/2`.
            let tail = &self.text[end..];
            if let Some(more) = tail.strip_prefix(' ')
                && !seen_stroke
            {
                let digits = more.chars().take_while(|c| digit(*c).is_some()).map(char::len_utf8).sum::<usize>();
                let after = &more[digits..];
                if digits > 0 && after.starts_with('/') {
                    let low = after[1..].chars().take_while(|c| digit(*c).is_some()).map(char::len_utf8).sum::<usize>();
                    if low > 0 {
                        end += 1 + digits + 1 + low;
                    }
                }
            }
            return Some(end);
        }
        self.hanzi_number_at(from).map(|(_, end)| end)
    }

    /// A comma between digits is decimal where one or two digits follow it and no more.
    fn comma_is_decimal(&self, at: usize, c: char) -> bool {
        if matches!(c, '.' | '．') {
            return true;
        }
        let digits = self.text[at + c.len_utf8()..].chars().take_while(|c| digit(*c).is_some()).count();
        digits <= 2 && c == ','
    }

    /// A number in hanzi that stands before a unit, with its end: `十二枚`, `半两`, `两钱`.
    fn hanzi_number_at(&self, from: usize) -> Option<(Rational, usize)> {
        let rest = &self.text[from..];
        // 百合 is lily bulb, not a hundred ge; 半夏 is not a half of anything.
        if rest.starts_with(is_hanzi) && !self.m.hanzi_prefixes(rest).is_empty() {
            return None;
        }
        let mut end = from;
        let mut total: i128 = 0;
        let mut small: Option<i128> = None;
        let mut any = false;
        for (i, c) in rest.char_indices() {
            let p = self.m.plain_char(c);
            if let Some(n) = numeral(p) {
                if small.is_some() {
                    return None;
                }
                small = Some(n);
            } else if p == '十' || p == '百' {
                total += small.take().unwrap_or(1) * if p == '十' { 10 } else { 100 };
            } else if p == '廿' {
                total += 20;
            } else {
                break;
            }
            any = true;
            end = from + i + c.len_utf8();
        }
        let mut value = Rational::from(total + small.unwrap_or(0));
        if !any {
            let c = rest.chars().next()?;
            let p = self.m.plain_char(c);
            let after = from + c.len_utf8();
            if p == '半' {
                value = Rational::new(1, 2)?;
            } else if p == '两' && self.unit_at(after).0.is_some() {
                value = Rational::from(2);
            } else {
                return None;
            }
            end = after;
        }
        // Only before a unit, a word for doses or days: 三七 and 五味子 are names.
        let (unit, _) = self.unit_at(end);
        let counted = self.word_at(end, &self.m.library().words.doses).is_some()
            || self.word_at(end, &self.m.library().words.days).is_some();
        (unit.is_some() || counted).then_some((value, end))
    }

    fn value(&self, span: Bytes<usize>) -> Result<Rational, String> {
        if let Some((value, end)) = self.hanzi_number_at(span.start)
            && end == span.end
        {
            return Ok(value);
        }
        let mut plain = String::new();
        for c in self.text[span].chars() {
            match c {
                '．' | ',' => plain.push('.'),
                '／' | '⁄' => plain.push('/'),
                c => match (digit(c), vulgar(c)) {
                    (Some(d), _) => plain.push(d),
                    (None, Some((n, d))) => {
                        if !plain.is_empty() {
                            plain.push(' ');
                        }
                        plain.push_str(&format!("{n}/{d}"));
                    }
                    (None, None) => plain.push(c),
                },
            }
        }
        plain.parse().map_err(|e: fangwright_amount::NumberError| e.to_string())
    }

    /// The unit that stands at `from` (spaces passed over), and where it ends.
    fn unit_at(&self, from: usize) -> (Option<Unit>, usize) {
        let rest = &self.text[from..];
        let spaces = rest.len() - rest.trim_start_matches([' ', '\t', '\u{a0}']).len();
        let start = from + spaces;
        let rest = &self.text[start..];
        let Some(first) = rest.chars().next() else { return (None, from) };
        if is_hanzi(first) {
            let mut plain = String::new();
            let mut best = (None, from);
            for (i, c) in rest.char_indices().take(3) {
                plain.push(self.m.plain_char(c));
                if let Some(unit) = self.units.get(plain.as_str()) {
                    best = (Some(*unit), start + i + c.len_utf8());
                }
            }
            return best;
        }
        let word: &str = &rest[..rest.find(|c: char| !is_letter(c) && c != '\'').unwrap_or(rest.len())];
        let plain = word.chars().map(|c| self.m.plain_char(c)).collect::<String>().to_lowercase();
        match self.units.get(plain.as_str()) {
            Some(unit) => {
                let end = start + word.len();
                // `3 sheng jiang`: the word belongs to a name.
                let metric = matches!(unit, Unit::Gram | Unit::Kilogram | Unit::Milligram | Unit::Milliliter);
                if !metric && spaces > 0 && self.name_goes_on(start, end) {
                    return (None, from);
                }
                (Some(*unit), end)
            }
            None => (None, from),
        }
    }

    /// Whether the words from `start` on, reaching past `end`, are a name.
    fn name_goes_on(&self, start: usize, end: usize) -> bool {
        let mut stop = end;
        for _ in 0..3 {
            let rest = &self.text[stop..];
            let Some(next) = rest.strip_prefix(' ') else { return false };
            let word = next.find(|c: char| !is_letter(c)).unwrap_or(next.len());
            if word == 0 {
                return false;
            }
            stop += 1 + word;
            if self.m.names_a_substance(&self.text[start..stop]) {
                return true;
            }
        }
        false
    }

    /// Number, unit and whatever adds to them, from `from` where the number ends at `number`.
    fn amount_at(&self, from: usize, number: usize) -> Option<(Written, usize)> {
        let value = self.value(from..number).ok()?;
        let (unit, mut end) = self.unit_at(number);
        let mut parts = vec![(value, unit.unwrap_or(Unit::Gram))];
        let mut upto = None;
        if unit.is_none() {
            end = number;
        }
        // A range: `9-15g`, `9g-15g`, `9~15 g`, `三至五钱`.
        let rest = &self.text[end..];
        let dash = rest.trim_start_matches(' ');
        let skipped = rest.len() - dash.len();
        for mark in ["-", "–", "—", "~", "～", "至", "到", "to "] {
            if let Some(after) = dash.strip_prefix(mark) {
                let at = end + skipped + mark.len() + (after.len() - after.trim_start_matches(' ').len());
                if let Some(stop) = self.number_at(at)
                    && let Ok(high) = self.value(at..stop)
                {
                    let (high_unit, stop2) = self.unit_at(stop);
                    let stop = if high_unit.is_some() { stop2 } else { stop };
                    let shared = high_unit.or(unit).unwrap_or(Unit::Gram);
                    parts[0].1 = unit.or(high_unit).unwrap_or(Unit::Gram);
                    upto = Some(Amount::of(high, shared));
                    let written = Written { amount: Amount(parts), upto, span: (from..stop).into() };
                    return Some((written, stop));
                }
            }
        }
        // `一钱五分`, `三钱半`, `1 liang 16 zhu`.
        while let Some(last) = parts.last().copied()
            && unit.is_some()
        {
            let rest = &self.text[end..];
            let p = rest.chars().next().map(|c| self.m.plain_char(c));
            if p == Some('半') && !self.m.hanzi_prefixes(rest).iter().any(|n| *n > '半'.len_utf8()) {
                parts.push((Rational::new(1, 2)?, last.1));
                end += '半'.len_utf8();
                break;
            }
            let space = rest.len() - rest.trim_start_matches(' ').len();
            let next = end + space;
            let Some(stop) = self.number_at(next) else { break };
            let (Some(more), stop2) = self.unit_at(stop) else { break };
            let smaller = more > last.1
                && more.measures() == last.1.measures()
                && more.measures() == fangwright_amount::Measures::Weight;
            if !smaller || !self.m.hanzi_prefixes(&self.text[next..]).is_empty() {
                break;
            }
            parts.push((self.value(next..stop).ok()?, more));
            end = stop2;
        }
        Some((Written { amount: Amount(parts), upto, span: (from..end).into() }, end))
    }

    fn word_at(&self, from: usize, words: &[String]) -> Option<usize> {
        let rest = &self.text[from..];
        let spaces = rest.len() - rest.trim_start_matches([' ', '-']).len();
        let start = from + spaces;
        let rest = &self.text[start..];
        let plain: String = rest.chars().take(24).map(|c| self.m.plain_char(c)).collect::<String>().to_lowercase();
        let mut best = None;
        for w in words {
            if plain.starts_with(w.as_str()) {
                let chars = w.chars().count();
                let whole = !w.ends_with(|c: char| c.is_ascii_alphabetic())
                    || !plain[w.len()..].starts_with(|c: char| c.is_alphanumeric());
                let end = start + rest.chars().take(chars).map(char::len_utf8).sum::<usize>();
                if whole && best.is_none_or(|b| end > b) {
                    best = Some(end);
                }
            }
        }
        best
    }

    fn amount(&mut self, number: usize) {
        let start = self.at;
        let value = match self.value(start..number) {
            Ok(value) => value,
            Err(error) => {
                self.token(TokenKind::Unread, start..number);
                self.say(Weight::Error, "not-a-number", start..number, error, "correct the number");
                self.at = number;
                return;
            }
        };
        let words = &self.m.library().words;
        for (list, kind) in [(&words.days, TokenKind::Days), (&words.doses, TokenKind::Doses)] {
            if let Some(end) = self.word_at(number, list) {
                self.token(kind, start..end);
                if !value.is_positive() {
                    self.say(Weight::Error, "zero", start..end, "this number is not above zero", "write how many");
                } else if kind == TokenKind::Days {
                    self.rx.days = Some(value);
                } else {
                    self.rx.doses = Some(value);
                }
                self.at = end;
                return;
            }
        }
        let Some((written, end)) = self.amount_at(start, number) else {
            self.at = number;
            self.token(TokenKind::Unread, start..number);
            self.say(
                Weight::Error,
                "not-a-number",
                start..number,
                "this amount cannot be read",
                "write a number and a unit",
            );
            return;
        };
        let bare = self.unit_at(number).0.is_none() && written.upto.is_none();
        // A number at the head of a line is a list number, not an amount: `1. Huang Qi`, `1) ...`.
        if bare && self.heads_line(start) {
            let tail = self.text[number..].chars().next();
            if matches!(tail, Some('.' | ')' | '、' | '．')) {
                let stop = number + tail.map_or(0, char::len_utf8);
                self.token(TokenKind::Gap, start..stop);
                self.at = stop;
                return;
            }
        }
        // A run of letters glued to the number, or standing alone behind it, that is no unit.
        if bare {
            let glued: usize = self.text[number..]
                .chars()
                .take_while(|c| c.is_alphanumeric() && !is_hanzi(*c))
                .map(char::len_utf8)
                .sum();
            if glued > 0 {
                let stop = number + glued;
                let what = self.text[number..stop].to_string();
                self.token(TokenKind::Unread, start..stop);
                self.say(
                    Weight::Error,
                    "unknown-unit",
                    number..stop,
                    format!("`{what}` is not a unit"),
                    "write g, qian, liang, fen, piece …, or a space before the next name",
                );
                self.at = stop;
                return;
            }
            let next = self.text[number..].trim_start_matches(' ');
            let word: &str = &next[..next.find(|c: char| !is_letter(c)).unwrap_or(next.len())];
            let after = next[word.len()..].trim_start_matches([' ', '\t']);
            let ends = after.is_empty() || after.starts_with(['\n', '\r', ',', '，', ';', '；', '、']);
            if !word.is_empty()
                && ends
                && self.waiting.is_none()
                && self.expects_amount()
                && !self.m.names_a_substance(word)
                && self.word_at(number, &words.directions).is_none()
            {
                let from = number + (self.text[number..].len() - next.len());
                self.token(TokenKind::Unread, start..from + word.len());
                self.say(
                    Weight::Error,
                    "unknown-unit",
                    from..from + word.len(),
                    format!("`{word}` is not a unit"),
                    "write g, qian, liang, fen, piece …",
                );
                self.at = from + word.len();
                return;
            }
        }
        self.token(TokenKind::Amount, start..end);
        self.at = end;
        self.check_amount(&written);
        if bare {
            self.say(Weight::Note, "no-unit", start..number, "no unit is written; read as grams", "write the unit");
        }
        self.place_amount(written);
    }

    fn heads_line(&self, at: usize) -> bool {
        self.text[..at].rsplit('\n').next().is_some_and(|l| l.trim().is_empty())
    }

    fn expects_amount(&self) -> bool {
        self.rx.items.last().is_some_and(|i| i.amount.is_none())
    }

    fn check_amount(&mut self, w: &Written) {
        let span = w.span.start..w.span.end;
        let all = w.amount.0.iter().chain(w.upto.iter().flat_map(|u| &u.0));
        let mut zero = false;
        for (n, _) in all {
            zero |= !n.is_positive();
        }
        if zero {
            self.say(
                Weight::Error,
                "zero",
                span.clone(),
                "a dose of nothing",
                "write how much, or take the ingredient out",
            );
        }
        if let Some(upto) = &w.upto {
            let (low, high) = (w.amount.0.first(), upto.0.first());
            if let (Some((a, ua)), Some((b, ub))) = (low, high)
                && ua == ub
                && a > b
            {
                self.say(
                    Weight::Error,
                    "backwards",
                    span,
                    "the range runs from more to less",
                    "write the smaller number first",
                );
            } else {
                self.say(
                    Weight::Note,
                    "range",
                    span,
                    "a range; its middle is used for the arithmetic, its ends for checks",
                    "write one number if one is meant",
                );
            }
        }
    }

    fn place_amount(&mut self, w: Written) {
        // "each": for all before it that have none.
        let each = self
            .rx
            .tokens
            .iter()
            .rev()
            .skip(1)
            .find(|t| t.kind != TokenKind::Gap)
            .is_some_and(|t| t.kind == TokenKind::Each);
        if each {
            let group = self.group;
            let mut given = 0;
            for item in self.rx.items[group..].iter_mut().filter(|i| i.amount.is_none() && i.from.is_none()) {
                item.amount = Some(w.clone());
                given += 1;
            }
            if given == 0 {
                self.say(
                    Weight::Error,
                    "each-of-nothing",
                    w.span.start..w.span.end,
                    "`each` speaks of names before it, but all of them have an amount",
                    "write the names before it",
                );
            }
            self.group = self.rx.items.len();
            return;
        }
        match self.rx.items.last_mut() {
            Some(item) if item.amount.is_none() && item.from.is_none() => {
                item.amount = Some(w);
                self.group = self.rx.items.len();
            }
            _ => {
                self.drop_waiting();
                self.waiting = Some(w);
            }
        }
    }

    fn hanzi(&mut self) {
        let start = self.at;
        let words = &self.m.library().words;
        // A formula or a substance, whichever name is longer.
        let formula = self.m.hanzi_formula_prefixes(self.rest()).first().copied().unwrap_or(0);
        let substance = self.hanzi_name();
        if formula > substance && formula > 0 {
            return self.formula(start..start + formula);
        }
        if substance > 0 {
            return self.name(start..start + substance);
        }
        if let Some(end) = self.word_at(start, &words.equal) {
            self.token(TokenKind::Each, start..end);
            self.at = end;
            return self.equal_parts(start..end);
        }
        if let Some(end) = self.word_at(start, &words.each)
            && (self.number_follows(end) || self.word_at(end, &words.equal).is_some())
        {
            self.token(TokenKind::Each, start..end);
            self.at = end;
            return;
        }
        for (list, mode) in [(&words.plus, Mode::Bring), (&words.minus, Mode::TakeOut)] {
            if let Some(end) = self.word_at(start, list) {
                return self.operator(mode, end - start);
            }
        }
        // 钱半, 两半: one and a half.
        if let (Some(unit), end) = self.unit_at(start)
            && self.text[end..].starts_with('半')
        {
            let stop = end + '半'.len_utf8();
            if let Some(value) = Rational::new(3, 2) {
                self.token(TokenKind::Amount, start..stop);
                self.at = stop;
                self.place_amount(Written { amount: Amount::of(value, unit), upto: None, span: (start..stop).into() });
                return;
            }
        }
        if self.word_at(start, &words.directions).is_some() {
            let end = start + self.rest().find(['\n', '。', ';', '；']).unwrap_or(self.rest().len());
            return self.direction(start..end);
        }
        // Handling written without brackets after an amount: 附子9g先煎.
        for list in words.pot.values() {
            if let Some(end) = self.word_at(start, list) {
                self.token(TokenKind::Note, start..end);
                self.at = end;
                return self.note(&self.text[start..end], start..end);
            }
        }
        if let Some(end) = self.word_at(start, &words.preparation) {
            self.token(TokenKind::Note, start..end);
            self.at = end;
            return self.note(&self.text[start..end], start..end);
        }
        // An unknown run: up to where something known, a number or a separator begins.
        let mut end = start;
        for (i, c) in self.rest().char_indices() {
            let at = start + i;
            if !is_hanzi(c) {
                break;
            }
            if i > 0
                && (self.hanzi_number_at(at).is_some()
                    || self.word_at(at, &words.each).is_some_and(|e| self.number_follows(e))
                    || self.word_at(at, &words.equal).is_some()
                    || [&words.plus, &words.minus]
                        .into_iter()
                        .filter_map(|list| self.word_at(at, list))
                        .any(|end| !self.m.hanzi_prefixes(&self.text[end..]).is_empty())
                    || self.m.hanzi_prefixes(&self.text[at..]).first().is_some_and(|n| *n > 3) && i >= 6)
            {
                break;
            }
            end = at + c.len_utf8();
        }
        self.name(start..end);
    }

    /// Length of a substance's name here, words of process, origin and quality before and after it included.
    fn hanzi_name(&self) -> usize {
        let rest = self.rest();
        let direct = self.m.hanzi_prefixes(rest).first().copied().unwrap_or(0);
        let words = &self.m.library().words;
        let mut best = direct;
        let befores = words.process.values().flatten().chain(&words.raw).chain(&words.origin).chain(&words.quality);
        let plain: String = rest.chars().take(12).map(|c| self.m.plain_char(c)).collect();
        for word in befores.filter(|w| w.chars().any(is_hanzi)) {
            if plain.starts_with(word.as_str()) {
                let len: usize = rest.chars().take(word.chars().count()).map(char::len_utf8).sum();
                let inner = self.m.hanzi_prefixes(&rest[len..]).first().copied().unwrap_or(0);
                if inner > 0 && len + inner > best {
                    best = len + inner;
                }
            }
        }
        if best > 0 {
            // 甘草炙, 大黄炭: a process behind the name, unless it begins the next name.
            let tail = &rest[best..];
            let plain: String = tail.chars().take(6).map(|c| self.m.plain_char(c)).collect();
            for word in words.process.values().flatten().filter(|w| w.chars().any(is_hanzi)) {
                if plain.starts_with(word.as_str()) && self.m.hanzi_prefixes(tail).is_empty() {
                    let len: usize = tail.chars().take(word.chars().count()).map(char::len_utf8).sum();
                    if self.m.hanzi_prefixes(&tail[len..]).is_empty() {
                        return best + len;
                    }
                }
            }
        }
        best
    }

    fn equal_parts(&mut self, span: Bytes<usize>) {
        let group = self.group;
        let mut given = 0;
        for item in self.rx.items[group..].iter_mut().filter(|i| i.amount.is_none()) {
            item.amount =
                Some(Written { amount: Amount::of(Rational::ONE, Unit::Part), upto: None, span: span.clone().into() });
            given += 1;
        }
        if given == 0 {
            self.say(
                Weight::Error,
                "each-of-nothing",
                span,
                "`equal parts` speaks of names before it, but all of them have an amount",
                "write the names before it",
            );
        }
        self.group = self.rx.items.len();
    }

    fn direction(&mut self, span: Bytes<usize>) {
        let text = self.text[span.clone()].trim().to_string();
        self.token(TokenKind::Direction, span.clone());
        // 每日一剂，共七剂: the numbers still count.
        let words = &self.m.library().words;
        let mut i = span.start;
        while i < span.end {
            if let Some(stop) = self.number_at(i)
                && stop <= span.end
                && let Ok(value) = self.value(i..stop)
            {
                let per_day = self.text[span.start..i].ends_with('日')
                    || self.text[span.start..i].ends_with('天')
                    || self.text[..i].ends_with("日服");
                if self.word_at(stop, &words.days).is_some_and(|e| e <= span.end) && value.is_positive() {
                    self.rx.days = Some(value);
                } else if !per_day
                    && self.word_at(stop, &words.doses).is_some_and(|e| e <= span.end)
                    && value.is_positive()
                {
                    self.rx.doses = Some(value);
                }
                i = stop;
                continue;
            }
            i += self.text[i..].chars().next().map_or(1, char::len_utf8);
        }
        self.rx.directions.push(text);
        self.at = span.end;
    }

    fn latin(&mut self) {
        let start = self.at;
        let words = &self.m.library().words;
        // Words up to a number, a separator or hanzi.
        let rest = self.rest();
        let stop = rest
            .char_indices()
            .find(|(i, c)| {
                let inside = is_letter(*c)
                    || *c == ' '
                    || *c == '\''
                    || *c == '’'
                    || (*c == '-' && rest[i + 1..].starts_with(is_letter) && *i > 0 && !rest[..*i].ends_with(' '))
                    || (matches!(c, '1'..='5')
                        && *i > 0
                        && rest[..*i].ends_with(|p: char| p.is_ascii_alphabetic())
                        && !rest[i + 1..].starts_with(|n: char| n.is_ascii_digit() || n == '.' || n == '/')
                        && tone_digit(&rest[..*i], &rest[i + 1..]));
                !inside
            })
            .map_or(rest.len(), |(i, _)| i);
        let run = rest[..stop].trim_end();
        let end = start + run.len();
        // One word at a time for operators, each, directions.
        let first_len = run.find(' ').unwrap_or(run.len());
        let first = run[..first_len].to_lowercase();
        // `Nan Sha Shen` begins like a number that is none.
        let alone = run.split(' ').count() <= 2 && self.cut(run).is_none();
        if alone && matches!(first.as_str(), "nan" | "inf" | "infinity" | "null" | "none" | "undefined") {
            self.token(TokenKind::Unread, start..start + first_len);
            self.say(
                Weight::Error,
                "not-a-number",
                start..start + first_len,
                format!("`{}` is not a number", &run[..first_len]),
                "write the dose in figures",
            );
            self.at = start + first_len;
            return;
        }
        if self.m.names_a_formula(run) && !self.m.names_a_substance(run) {
            return self.formula(start..end);
        }
        if self.m.names_a_substance(run) {
            return self.name(start..end);
        }
        if let Some(e) = self.word_at(start, &words.equal) {
            self.token(TokenKind::Each, start..e);
            self.at = e;
            return self.equal_parts(start..e);
        }
        if let Some(e) = self.word_at(start, &words.each)
            && self.number_follows(e)
        {
            self.token(TokenKind::Each, start..e);
            self.at = e;
            return;
        }
        let one_word = start + first_len;
        for (list, mode) in [(&words.plus, Mode::Bring), (&words.minus, Mode::TakeOut)] {
            if list.contains(&first) && !(one_word == end && self.number_follows(end)) {
                return self.operator(mode, first_len);
            }
        }
        if words.directions.contains(&first) {
            let line = start + rest.find(['\n', ';']).unwrap_or(rest.len());
            return self.direction(start..line);
        }
        for list in words.pot.values() {
            if list.iter().any(|w| run.eq_ignore_ascii_case(w)) && !self.rx.items.is_empty() {
                self.token(TokenKind::Note, start..end);
                self.at = end;
                return self.note(&self.text[start..end], start..end);
            }
        }
        // Several names in a row without a comma.
        if let Some(cuts) = self.cut(run) {
            let mut from = start;
            for len in cuts {
                let piece = &self.text[from..start + run.len()];
                let skip = piece.len() - piece.trim_start().len();
                let span = from + skip..from + skip + len;
                let text = &self.text[span.clone()];
                let lower = text.to_lowercase();
                if words.plus.contains(&lower) || words.minus.contains(&lower) {
                    let mode = if words.plus.contains(&lower) { Mode::Bring } else { Mode::TakeOut };
                    self.at = span.start;
                    self.operator(mode, len);
                } else if self.m.names_a_formula(text) && !self.m.names_a_substance(text) {
                    self.formula(span.clone());
                } else {
                    self.name(span.clone());
                }
                from = span.end;
            }
            self.at = end;
            return;
        }
        // A word that is no number behind a name: point at it alone.
        if let Some(bad) = run.rfind(' ')
            && matches!(run[bad + 1..].to_lowercase().as_str(), "nan" | "inf" | "infinity" | "null")
        {
            return self.name(start..start + run[..bad].trim_end().len());
        }
        self.name(start..end);
    }

    /// Cuts a run of words into names that are all known; `None` where that does not come out even.
    fn cut(&self, run: &str) -> Option<Vec<usize>> {
        let mut ends: Vec<usize> = run.match_indices(' ').map(|(i, _)| i).collect();
        ends.push(run.len());
        let starts: Vec<usize> = std::iter::once(0).chain(ends[..ends.len() - 1].iter().map(|e| e + 1)).collect();
        let n = starts.len();
        if !(2..=400).contains(&n) {
            return None;
        }
        let words = &self.m.library().words;
        // best[i]: fewest pieces for the words from i on, with the length in words of the first.
        let mut best: Vec<Option<(usize, usize)>> = vec![None; n + 1];
        best[n] = Some((0, 0));
        for i in (0..n).rev() {
            for k in 1..=6.min(n - i) {
                let Some((pieces, _)) = best[i + k] else { continue };
                let text = run[starts[i]..ends[i + k - 1]].trim();
                if text.is_empty() {
                    continue;
                }
                let lower = text.to_lowercase();
                let known = self.m.names_a_substance(text)
                    || (k >= 2 && self.m.names_a_formula(text))
                    || (k == 1 && n > 2 && (words.plus.contains(&lower) || words.minus.contains(&lower)))
                    || (k >= 2 && matches!(self.m.resolve(text), Resolution::Known { .. }));
                if known && best[i].is_none_or(|(p, _)| pieces + 1 < p) {
                    best[i] = Some((pieces + 1, k));
                }
            }
        }
        best[0]?;
        let mut cuts = Vec::new();
        let mut i = 0;
        while i < n {
            let (_, k) = best[i]?;
            cuts.push(run[starts[i]..ends[i + k - 1]].trim().len());
            i += k;
        }
        Some(cuts)
    }

    fn formula(&mut self, span: Bytes<usize>) {
        let text = &self.text[span.clone()];
        self.token(TokenKind::Formula, span.clone());
        self.at = span.end;
        let m = self.m;
        let Some(ix) = m.resolve_formula(text).settled() else {
            if let Resolution::Ambiguous { tells, .. } = m.resolve_formula(text) {
                self.say(
                    Weight::Error,
                    "ambiguous-formula",
                    span,
                    format!("`{text}` names more than one formula"),
                    tells,
                );
            }
            return;
        };
        self.rx.formulas.push(ix);
        let share = self.waiting.take();
        if let Some(w) = share {
            self.say(
                Weight::Warning,
                "amount-before-formula",
                w.span.start..w.span.end,
                "an amount before a formula is not used here",
                "use `blend` for a fraction of a formula",
            );
        }
        for i in &m.formula(ix).ingredients {
            let Some(substance) = m.substance_by_id(&i.substance) else { continue };
            if self.rx.items.iter().any(|x| x.means.settled() == Some(substance)) {
                continue;
            }
            let amount =
                i.grams.map(|g| Written { amount: Amount::of(g, Unit::Gram), upto: None, span: span.clone().into() });
            self.rx.items.push(Item {
                name: m.substance(substance).hanzi.clone(),
                span: span.clone().into(),
                means: Resolution::Known {
                    substance,
                    via: fangwright_materia::Via::Id,
                    unrecorded_process: None,
                    beside: Vec::new(),
                },
                amount,
                notes: Vec::new(),
                pot: Vec::new(),
                from: Some(ix),
            });
        }
        self.group = self.rx.items.len();
    }

    /// Which of these substances are in the prescription so far.
    fn present(&self, candidates: &[SubstanceIx]) -> Vec<SubstanceIx> {
        candidates.iter().copied().filter(|c| self.rx.items.iter().any(|i| i.means.settled() == Some(*c))).collect()
    }

    fn name(&mut self, span: Bytes<usize>) {
        let m = self.m;
        let text = &self.text[span.clone()];
        self.token(TokenKind::Name, span.clone());
        self.at = span.end;
        let mut means = m.resolve(text);
        // "Without peony" is clear where only one peony is in it.
        if let (Resolution::Ambiguous { candidates, .. }, Mode::TakeOut) = (&means, self.mode)
            && let [one] = self.present(candidates).as_slice()
        {
            let found = *one;
            let s = m.substance(found);
            let message = format!("`{text}` is taken for {} {}, the only one of that name in it", s.hanzi, s.pinyin);
            self.say(Weight::Note, "by-context", span.clone(), message, "write which one, if another is meant");
            means = Resolution::Known {
                substance: found,
                via: fangwright_materia::Via::Old,
                unrecorded_process: None,
                beside: Vec::new(),
            };
        }
        let settled = means.settled();
        let show = |s: SubstanceIx| {
            let s = m.substance(s);
            format!("{} {}", s.hanzi, s.pinyin)
        };
        match &means {
            Resolution::Known { unrecorded_process: Some(process), substance, .. } => {
                let name = show(*substance);
                self.say(
                    Weight::Note,
                    "process-unrecorded",
                    span.clone(),
                    format!("{name} {process} has no record of its own; the record of {name} is used"),
                    "read the properties with that in mind, or add a record in your own folder",
                );
            }
            Resolution::Known { .. } => {}
            Resolution::Misspelt { substance, read_as, .. } => {
                let name = show(*substance);
                self.say(
                    Weight::Warning,
                    "misspelt",
                    span.clone(),
                    format!("`{text}` is read as {read_as}: {name}"),
                    "look whether that is meant, and correct the spelling",
                );
            }
            Resolution::Ambiguous { candidates, tells, hazard } => {
                let list: Vec<String> = candidates.iter().map(|c| show(*c)).collect();
                let hazard = if hazard.is_empty() { String::new() } else { format!(" ({hazard})") };
                self.say(
                    Weight::Error,
                    "ambiguous-name",
                    span.clone(),
                    format!("`{text}` may be {}{hazard}", list.join(" or ")),
                    format!("write which: {tells}"),
                );
            }
            Resolution::Unknown { nearest } => {
                let list: Vec<String> = nearest.iter().take(3).map(|n| show(n.target)).collect();
                let help = if list.is_empty() {
                    "correct it, or add it in your own folder".to_string()
                } else {
                    format!("nearest: {}; correct it, or add it in your own folder", list.join(", "))
                };
                self.say(
                    Weight::Error,
                    "unknown-name",
                    span.clone(),
                    format!("`{text}` is no name we hold; it is not checked"),
                    help,
                );
            }
        }
        if self.mode == Mode::TakeOut {
            match settled {
                Some(s) => {
                    let raw = m.raw_form(s);
                    let before = self.rx.items.len();
                    self.rx.items.retain(|i| i.means.settled() != Some(s));
                    if self.rx.items.len() == before {
                        self.rx.items.retain(|i| i.means.settled().is_none_or(|x| m.raw_form(x) != raw));
                    }
                    if self.rx.items.len() == before {
                        let name = show(s);
                        self.say(
                            Weight::Warning,
                            "not-there",
                            span,
                            format!("{name} is to be left out, but is not in it"),
                            "look at the base and the name",
                        );
                    } else {
                        self.rx.left_out.push(s);
                    }
                    self.group = self.rx.items.len();
                }
                // The same unsettled name stands in it: that is the one, whichever it is.
                None if self.rx.items.iter().any(|i| i.means == means) => {
                    self.rx.items.retain(|i| i.means != means);
                    self.group = self.rx.items.len();
                }
                None => self.say(
                    Weight::Error,
                    "left-out-unclear",
                    span,
                    "what is to be left out is not clear",
                    "write one name",
                ),
            }
            return;
        }
        // Named again after a formula that holds it: a new dose for it, not a second one.
        if let Some(s) = settled
            && let Some(item) = self.rx.items.iter().position(|i| i.means.settled() == Some(s) && i.from.is_some())
        {
            self.rx.items.remove(item);
            if self.group > self.rx.items.len() {
                self.group = self.rx.items.len();
            }
        } else if let Some(s) = settled
            && self.rx.items.iter().any(|i| i.means.settled() == Some(s))
        {
            let name = show(s);
            self.say(
                Weight::Warning,
                "twice",
                span.clone(),
                format!("{name} stands here a second time"),
                "put both amounts on one line, or take one out",
            );
        }
        let amount = self.waiting.take();
        let has = amount.is_some();
        self.rx.items.push(Item {
            name: text.to_string(),
            span: span.into(),
            means,
            amount,
            notes: Vec::new(),
            pot: Vec::new(),
            from: None,
        });
        if has {
            self.group = self.rx.items.len();
        }
    }

    fn finish(mut self) -> Prescription {
        self.drop_waiting();
        if self.rx.items.is_empty() && !self.text.trim().is_empty() {
            let end = self.text.len();
            self.say(
                Weight::Error,
                "no-ingredient",
                0..end,
                "no ingredient was found",
                "write names and amounts, such as `桂枝 9g`",
            );
        }
        let lacking: Vec<Span> = self.rx.items.iter().filter(|i| i.amount.is_none()).map(|i| i.span).collect();
        for span in lacking {
            self.say(
                Weight::Warning,
                "no-amount",
                span.start..span.end,
                "no amount is written",
                "write how much; doses are not checked without it",
            );
        }
        self.rx.tokens.sort_by_key(|t| t.span.start);
        self.rx.diagnostics.sort_by_key(|d| (d.span.start, std::cmp::Reverse(d.weight)));
        // Spaces inside runs of words belong to no token yet.
        let mut whole = Vec::with_capacity(self.rx.tokens.len());
        let mut at = 0;
        for token in std::mem::take(&mut self.rx.tokens) {
            if token.span.start > at {
                whole.push(Token { kind: TokenKind::Gap, span: (at..token.span.start).into() });
            }
            at = token.span.end;
            whole.push(token);
        }
        if at < self.text.len() {
            whole.push(Token { kind: TokenKind::Gap, span: (at..self.text.len()).into() });
        }
        self.rx.tokens = whole;
        self.rx
    }
}

/// Whether a digit behind letters is a tone (`huang2 qi2`) and not the start of an amount (`huang qi2g`).
fn tone_digit(before: &str, after: &str) -> bool {
    let letters = before.chars().rev().take_while(|c| c.is_ascii_alphabetic()).count();
    (1..=6).contains(&letters) && !after.starts_with(|c: char| c.is_ascii_alphabetic() && !starts_syllable(after))
}

/// `huang2qi2g`: letters behind a tone begin a syllable of two letters at least.
fn starts_syllable(after: &str) -> bool {
    after.chars().take_while(|c| c.is_ascii_alphabetic()).count() >= 2
}
