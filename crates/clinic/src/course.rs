//! How a person's measures go over time, as numbers and as a picture, with the visits, prescriptions and dispensings along the way.

use std::fmt::Write as _;

use fangwright_amount::Rational;
use fangwright_safety::Exact;
use jiff::ToSpan;
use jiff::civil::{Date, Weekday};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::model::{Better, Whole};

/// What all measures of a person did over time.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Course {
    /// One for each measure, in the order of the record.
    pub lines: Vec<Line>,
    /// What happened along the way, the earliest first.
    pub marks: Vec<Mark>,
    /// How many readings name a measure that this person does not have; they are in no line.
    pub unplaced: usize,
}

/// One measure over time.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Line {
    /// Id of the measure.
    pub measure: String,
    /// In the person's own words.
    pub name: String,
    /// The unit; empty for a scale.
    pub unit: String,
    /// The least value there can be.
    pub least: Exact,
    /// The greatest value there can be; none where there is none.
    pub most: Option<Exact>,
    /// Which way is better.
    pub better: Better,
    /// The readings, the earliest first; those of one day in the order of the record.
    pub points: Vec<Point>,
    /// The first value.
    pub first: Option<Exact>,
    /// The last value.
    pub last: Option<Exact>,
    /// The last value less the first; none with fewer than two readings.
    pub change: Option<Exact>,
    /// What the change is to the person; none with fewer than two readings.
    pub trend: Option<Trend>,
}

/// One reading.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Point {
    /// The day.
    #[schemars(with = "String", extend("format" = "date"))]
    pub on: Date,
    /// The value.
    pub value: Exact,
    /// Remark.
    pub note: String,
}

/// What a change is to the person.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Trend {
    /// Better than at first.
    Better,
    /// As at first.
    Same,
    /// Worse than at first.
    Worse,
}

impl Trend {
    /// Its word.
    pub fn word(self) -> &'static str {
        match self {
            Trend::Better => "better",
            Trend::Same => "same",
            Trend::Worse => "worse",
        }
    }

    fn of(first: Rational, last: Rational, better: Better) -> Trend {
        match (last.cmp(&first), better) {
            (std::cmp::Ordering::Equal, _) => Trend::Same,
            (std::cmp::Ordering::Less, Better::Less) | (std::cmp::Ordering::Greater, Better::More) => Trend::Better,
            _ => Trend::Worse,
        }
    }
}

/// What happened on a day.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Mark {
    /// Which kind.
    pub what: What,
    /// The day.
    #[schemars(with = "String", extend("format" = "date"))]
    pub on: Date,
    /// Id of the record.
    pub id: String,
    /// The complaint of a visit, the title of a prescription, the number and preparation of a dispensing.
    pub title: String,
    /// Whether it is a prescription that was withdrawn after it was signed.
    pub withdrawn: bool,
}

/// The kinds of [`Mark`].
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum What {
    /// A visit.
    Visit,
    /// A signed prescription.
    Prescription,
    /// A dispensing.
    Dispensing,
}

impl What {
    const ALL: [What; 3] = [What::Visit, What::Prescription, What::Dispensing];
}

/// Puts the measures of a person on a line of time. Prescriptions that were not signed are left out.
pub fn course(whole: &Whole) -> Course {
    let lines: Vec<Line> = whole.measures.iter().map(|m| line(whole, &m.id, &m.record)).collect();
    let placed: usize = lines.iter().map(|l| l.points.len()).sum();
    Course { marks: marks(whole), unplaced: whole.readings.len().saturating_sub(placed), lines }
}

fn line(whole: &Whole, id: &str, measure: &crate::model::Measure) -> Line {
    let mut points: Vec<Point> = whole
        .readings
        .iter()
        .map(|r| &r.record)
        .filter(|r| r.measure == id)
        .map(|r| Point { on: r.on, value: r.value, note: r.note.clone() })
        .collect();
    points.sort_by_key(|p| p.on);
    let first = points.first().map(|p| p.value);
    let last = points.last().map(|p| p.value);
    let both = first.zip(last).filter(|_| points.len() > 1);
    Line {
        measure: id.into(),
        name: measure.name.clone(),
        unit: measure.unit.clone(),
        least: measure.least,
        most: measure.most,
        better: measure.better,
        first,
        last,
        change: both.and_then(|(a, b)| b.0.minus(a.0)).map(Exact),
        trend: both.map(|(a, b)| Trend::of(a.0, b.0, measure.better)),
        points,
    }
}

fn marks(whole: &Whole) -> Vec<Mark> {
    let mark = |what, on, id: &str, title: String| Mark { what, on, id: id.into(), title, withdrawn: false };
    let visits = whole.visits.iter().map(|v| mark(What::Visit, v.record.on, &v.id, v.record.complaint.clone()));
    let signed = whole.prescriptions.iter().filter(|p| p.record.signed.is_some()).map(|p| Mark {
        withdrawn: p.record.withdrawn.is_some(),
        ..mark(What::Prescription, p.record.on, &p.id, p.record.title.clone())
    });
    let handed = whole.dispensings.iter().map(|d| {
        let title = format!("{} {}", d.record.number, d.record.preparation);
        mark(What::Dispensing, d.record.on, &d.id, title.trim().to_string())
    });
    let mut all: Vec<Mark> = visits.chain(signed).chain(handed).collect();
    all.sort_by_key(|m| (m.on, m.what));
    all
}

/// The words in a picture of a [`Course`].
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Words {
    /// Language tag (BCP 47) of these words: `en`, `zh-Hans`, `zh-Hant`.
    pub lang: String,
    /// Heading of the picture.
    pub title: String,
    /// One value of a measure.
    pub reading: String,
    /// A value with a remark.
    pub remark: String,
    /// Visits.
    pub visits: String,
    /// Prescriptions.
    pub prescriptions: String,
    /// Dispensings.
    pub dispensings: String,
    /// A prescription that was withdrawn.
    pub withdrawn: String,
    /// How many readings, in front of the number.
    pub readings: String,
    /// In a panel without readings.
    pub no_readings: String,
    /// In a picture with nothing in it.
    pub nothing: String,
    /// Which way is better: down.
    pub less_is_better: String,
    /// Which way is better: up.
    pub more_is_better: String,
    /// Better than at first.
    pub better: String,
    /// As at first.
    pub same: String,
    /// Worse than at first.
    pub worse: String,
    /// How many prescriptions are not in the list, after the number.
    pub more: String,
}

impl Default for Words {
    /// English.
    fn default() -> Words {
        let w = str::to_string;
        Words {
            lang: w("en"),
            title: w("Course"),
            reading: w("reading"),
            remark: w("reading with a remark"),
            visits: w("Visits"),
            prescriptions: w("Prescriptions"),
            dispensings: w("Dispensings"),
            withdrawn: w("withdrawn"),
            readings: w("readings:"),
            no_readings: w("no reading yet"),
            nothing: w("There is no measure, visit or prescription yet."),
            less_is_better: w("less is better"),
            more_is_better: w("more is better"),
            better: w("better"),
            same: w("same"),
            worse: w("worse"),
            more: w("more"),
        }
    }
}

impl Words {
    fn trend(&self, trend: Trend) -> &str {
        match trend {
            Trend::Better => &self.better,
            Trend::Same => &self.same,
            Trend::Worse => &self.worse,
        }
    }

    fn lane(&self, what: What) -> &str {
        match what {
            What::Visit => &self.visits,
            What::Prescription => &self.prescriptions,
            What::Dispensing => &self.dispensings,
        }
    }
}

const WIDE: f64 = 900.0;
/// Space at the left edge and right of the plot; half a date fits in the latter.
const EDGE: f64 = 20.0;
const RIGHT: f64 = 42.0;
/// From the frame of the plot to the first and last day, and to the least and the greatest value.
const INSET: f64 = 12.0;
const PANEL: f64 = 150.0;
const LANE: f64 = 26.0;
const SMALL: f64 = 11.0;
const TEXT: f64 = 12.0;
/// So many prescriptions get a line through the panels and a place in the list; with more, the picture would be all lines.
const LISTED: usize = 40;

const INK: &str = "#2b2417";
const FAINT: &str = "#6b5f47";
const GRID: &str = "#e2d8c3";
const LINE: &str = "#23433f";
const RX: &str = "#9b3324";
const OUT: &str = "#1d5c4c";

/// Text for an element or attribute; what XML 1.0 has no character for becomes U+FFFD.
fn escape(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            '&' => out.push_str("&amp;"),
            '<' => out.push_str("&lt;"),
            '>' => out.push_str("&gt;"),
            '"' => out.push_str("&quot;"),
            '\'' => out.push_str("&#39;"),
            '\t' | '\n' | '\r' => out.push(c),
            c if c < ' ' || matches!(c, '\u{fffe}' | '\u{ffff}') => out.push('\u{fffd}'),
            c => out.push(c),
        }
    }
    out
}

/// About how wide a text is drawn: a hanzi is as wide as high, a letter a little over half.
fn width(text: &str, size: f64) -> f64 {
    text.chars().map(|c| if c < '\u{1100}' { 0.58 } else { 1.02 }).sum::<f64>() * size
}

/// As much of a text as there is room for.
fn fit(text: &str, size: f64, room: f64) -> String {
    if width(text, size) <= room {
        return text.to_string();
    }
    let mut out = String::new();
    let mut left = room - size;
    for c in text.chars() {
        left -= width(c.encode_utf8(&mut [0; 4]), size);
        if left < 0.0 {
            break;
        }
        out.push(c);
    }
    out.trim_end().to_string() + "…"
}

/// A number as it is read: a decimal where it has one of at most six places, else a fraction.
fn shown(value: Exact) -> String {
    let decimal = value.0.decimal(6);
    let text = if decimal.parse() == Ok(value.0) { decimal } else { value.0.to_string() };
    text.replace('-', "−")
}

fn signed(change: Exact) -> String {
    if change.0.is_positive() { format!("+{}", shown(change)) } else { shown(change) }
}

fn with_unit(value: String, unit: &str) -> String {
    if unit.is_empty() { value } else { format!("{value} {unit}") }
}

/// `7 → 3 (−4), better`.
fn summary(line: &Line, words: &Words) -> String {
    let (Some(first), Some(last)) = (line.first, line.last) else { return String::new() };
    let Some(trend) = line.trend else { return with_unit(shown(last), &line.unit) };
    let change = line.change.map(|c| format!(" ({})", signed(c))).unwrap_or_default();
    format!("{} → {}{change}, {}", shown(first), with_unit(shown(last), &line.unit), words.trend(trend))
}

fn days_between(from: Date, to: Date) -> i64 {
    to.duration_since(from).as_hours() / 24
}

/// Where days lie from left to right.
struct Times {
    from: Date,
    days: f64,
    left: f64,
    right: f64,
}

impl Times {
    /// `left` is where the plot begins.
    fn of(course: &Course, left: f64) -> Option<Times> {
        let days =
            || course.lines.iter().flat_map(|l| &l.points).map(|p| p.on).chain(course.marks.iter().map(|m| m.on));
        let (mut from, mut to) = (days().min()?, days().max()?);
        if from == to {
            // One day alone stands in the middle of a week.
            (from, to) = (from.saturating_sub(3.days()), to.saturating_add(3.days()));
        }
        Some(Times { from, days: days_between(from, to) as f64, left, right: WIDE - RIGHT })
    }

    fn x(&self, on: Date) -> f64 {
        let (from, to) = (self.left + INSET, self.right - INSET);
        (from + (to - from) * days_between(self.from, on) as f64 / self.days).clamp(from, to)
    }

    fn last(&self) -> Date {
        self.from.saturating_add((self.days as i64).days())
    }

    /// Where there is a date at the axis, and which: the closest of days, weeks, months and years whose dates do not touch.
    fn ticks(&self) -> Vec<(f64, String)> {
        let per_day = (self.right - self.left - 2.0 * INSET) / self.days;
        let step = STEPS.into_iter().find(|s| s.least_days() * per_day >= s.label_width() + 14.0);
        let Some(step) = step else { return Vec::new() };
        step.dates(self.from, self.last()).into_iter().map(|d| (self.x(d), step.label(d))).collect()
    }
}

/// From one date at the axis to the next.
#[derive(Clone, Copy)]
enum Step {
    Days(i64),
    Weeks(i64),
    Months(i64),
}

const STEPS: [Step; 17] = [
    Step::Days(1),
    Step::Days(2),
    Step::Weeks(1),
    Step::Weeks(2),
    Step::Months(1),
    Step::Months(2),
    Step::Months(3),
    Step::Months(6),
    Step::Months(12),
    Step::Months(24),
    Step::Months(60),
    Step::Months(120),
    Step::Months(240),
    Step::Months(600),
    Step::Months(1200),
    Step::Months(6000),
    Step::Months(24000),
];

impl Step {
    fn least_days(self) -> f64 {
        match self {
            Step::Days(n) => n as f64,
            Step::Weeks(n) => n as f64 * 7.0,
            // February, and the shortest two months and more.
            Step::Months(1) => 28.0,
            Step::Months(n) => n as f64 * 29.5,
        }
    }

    fn label(self, on: Date) -> String {
        match self {
            Step::Months(n) if n >= 12 => on.year().to_string(),
            Step::Months(_) => format!("{:04}-{:02}", on.year(), on.month()),
            Step::Days(_) | Step::Weeks(_) => on.to_string(),
        }
    }

    fn label_width(self) -> f64 {
        match self {
            Step::Months(n) if n >= 12 => width("2000", SMALL),
            Step::Months(_) => width("2000-00", SMALL),
            Step::Days(_) | Step::Weeks(_) => width("2000-00-00", SMALL),
        }
    }

    /// The first days of these steps within a time, at most a few dozen.
    fn dates(self, from: Date, to: Date) -> Vec<Date> {
        match self {
            Step::Days(n) => every(from, to, n),
            Step::Weeks(n) => {
                let ahead = i64::from(from.weekday().until(Weekday::Monday));
                every(from.saturating_add(ahead.days()), to, n * 7)
            }
            Step::Months(n) => {
                let month = |d: Date| i64::from(d.year()) * 12 + i64::from(d.month()) - 1;
                let first = |m: i64| {
                    let year = i16::try_from(m.div_euclid(12)).ok()?;
                    Date::new(year, i8::try_from(m.rem_euclid(12)).ok()? + 1, 1).ok()
                };
                let start = month(from).div_euclid(n) * n;
                let count = (month(to) - start) / n + 1;
                (0..count).filter_map(|i| first(start + i * n)).filter(|d| *d >= from && *d <= to).collect()
            }
        }
    }
}

fn every(from: Date, to: Date, days: i64) -> Vec<Date> {
    let count = days_between(from, to).div_euclid(days) + 1;
    (0..count).map(|i| from.saturating_add((i * days).days())).collect()
}

/// Where values lie from bottom to top.
struct Values {
    low: f64,
    high: f64,
    ticks: Vec<(f64, String)>,
}

impl Values {
    /// The whole scale where it has an end and no reading lies outside of it; else about what the readings take up.
    fn of(line: &Line) -> Values {
        let all = || line.points.iter().map(|p| p.value.0.for_drawing());
        let (mut low, mut high) = (all().fold(f64::INFINITY, f64::min), all().fold(f64::NEG_INFINITY, f64::max));
        let least = line.least.0.for_drawing();
        let most = line.most.map(|m| m.0.for_drawing()).filter(|m| *m > least);
        match most {
            Some(most) if line.points.is_empty() || low >= least && high <= most => return Values::scale(least, most),
            None if line.points.is_empty() => return Values::scale(least, least + 10.0),
            _ => {}
        }
        if low >= high {
            let room = if low == 0.0 { 1.0 } else { low.abs() * 0.1 };
            (low, high) = (if low >= least { (low - room).max(least) } else { low - room }, high + room);
        }
        let step = round_step((high - low) / 5.0);
        let (from, to) = ((low / step).floor(), (high / step).ceil());
        let count = ((to - from).min(12.0)) as i32;
        let ticks = (0..=count).map(|i| (from + f64::from(i)) * step).map(|v| (v, number(v, step))).collect();
        Values { low: low.min(from * step), high: high.max(to * step), ticks }
    }

    /// A scale from end to end; both ends are written.
    fn scale(low: f64, high: f64) -> Values {
        let step = round_step((high - low) / 6.0);
        let count = ((high - low) / step).ceil().min(12.0) as i32;
        let from = (low / step).floor();
        // One that would touch an end gives way to it.
        let between = (0..=count + 1).map(|i| (from + f64::from(i)) * step);
        let between = between.filter(|v| v - low >= step * 0.6 && high - v >= step * 0.6);
        let ticks: Vec<f64> = std::iter::once(low).chain(between).chain([high]).collect();
        let fine = if (low / step).fract() == 0.0 && (high / step).fract() == 0.0 { step } else { step / 100.0 };
        Values { low, high, ticks: ticks.into_iter().map(|v| (v, number(v, fine))).collect() }
    }

    fn y(&self, value: f64, top: f64) -> f64 {
        let part = ((value - self.low) / (self.high - self.low)).clamp(0.0, 1.0);
        // What cannot be drawn for its size stands at the bottom.
        let part = if part.is_finite() { part } else { 0.0 };
        top + PANEL - INSET - part * (PANEL - 2.0 * INSET)
    }
}

/// The least of 1, 2, 5, 10 … and their tenths that is not below this.
fn round_step(least: f64) -> f64 {
    let ten = 10f64.powf(least.log10().floor());
    let step = [1.0, 2.0, 5.0, 10.0].into_iter().map(|n| n * ten).find(|s| *s >= least * 0.999_999);
    step.filter(|s| s.is_finite() && *s > 0.0).unwrap_or(1.0)
}

/// A value at the axis, with as many places as its step has; the very great in powers of ten.
fn number(value: f64, step: f64) -> String {
    if value.abs() >= 1e9 {
        let text = format!("{value:.3e}");
        let (front, power) = text.split_once('e').unwrap_or((&text, "0"));
        return format!("{}e{power}", front.trim_end_matches('0').trim_end_matches('.')).replace('-', "−");
    }
    let places = (-(step.log10() + 1e-9).floor()).clamp(0.0, 6.0) as usize;
    let text = format!("{value:.places$}");
    let text = if text.contains('.') { text.trim_end_matches('0').trim_end_matches('.') } else { &text };
    if text == "-0" { "0".into() } else { text.replace('-', "−") }
}

/// What is needed to draw: the time, and how far down the drawing has come.
struct Sheet<'a> {
    svg: String,
    y: f64,
    left: f64,
    words: &'a Words,
}

impl Sheet<'_> {
    fn text(&mut self, x: f64, y: f64, size: f64, anchor: &str, fill: &str, text: &str) {
        let _ = writeln!(
            self.svg,
            r#"<text x="{x:.1}" y="{y:.1}" font-size="{size}" text-anchor="{anchor}" fill="{fill}">{}</text>"#,
            escape(text)
        );
    }

    fn rule(&mut self, (x1, y1): (f64, f64), (x2, y2): (f64, f64), stroke: &str, more: &str) {
        let _ = writeln!(
            self.svg,
            r#"<line x1="{x1:.1}" y1="{y1:.1}" x2="{x2:.1}" y2="{y2:.1}" stroke="{stroke}"{more}/>"#
        );
    }
}

/// Draws a course: a lane each for visits, prescriptions and dispensings, a panel for each measure, all on one line of time. Well-formed
/// XML, 900 wide, as high as it takes; no script, no style sheet, no font of its own.
pub fn svg(course: &Course, words: &Words) -> String {
    let values: Vec<Values> = course.lines.iter().map(Values::of).collect();
    let lanes: Vec<What> = What::ALL.into_iter().filter(|what| course.marks.iter().any(|m| m.what == *what)).collect();
    let labels = values.iter().flat_map(|v| &v.ticks).map(|(_, text)| width(text, SMALL));
    let labels = labels.chain(lanes.iter().map(|what| width(words.lane(*what), TEXT)));
    let left = EDGE + 10.0 + labels.fold(30.0, f64::max).min(150.0);
    let mut sheet = Sheet { svg: String::new(), y: 0.0, left, words };
    sheet.text(EDGE, 36.0, 20.0, "start", INK, &fit(&words.title, 20.0, WIDE - 2.0 * EDGE));
    sheet.y = 62.0;
    match Times::of(course, left) {
        None if course.lines.is_empty() => {
            sheet.text(EDGE, 70.0, TEXT, "start", FAINT, &words.nothing);
            sheet.y = 86.0;
        }
        times => {
            sheet.legend(course);
            let ticks = times.as_ref().map(Times::ticks).unwrap_or_default();
            if let Some(times) = &times {
                for what in &lanes {
                    sheet.lane(course, times, *what);
                }
            }
            if course.lines.is_empty() {
                sheet.dates(&ticks, sheet.y);
            }
            for (line, values) in course.lines.iter().zip(&values) {
                sheet.panel(course, line, values, times.as_ref(), &ticks);
            }
            sheet.list(course);
        }
    }
    let height = sheet.y + 14.0;
    format!(
        r##"<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDE} {height:.0}" width="{WIDE}" height="{height:.0}" xml:lang="{lang}" lang="{lang}" font-family="'Noto Sans CJK SC','Noto Sans SC','PingFang SC','Microsoft YaHei',sans-serif" role="img" aria-labelledby="course-title course-desc">
<title id="course-title">{}</title>
<desc id="course-desc">{}</desc>
<rect width="100%" height="100%" fill="#fbf8f1"/>
{}</svg>
"##,
        escape(&words.title),
        escape(&description(course, words)),
        sheet.svg,
        lang = escape(&words.lang),
    )
}

/// What a picture says to those who do not see it.
fn description(course: &Course, words: &Words) -> String {
    let mut parts: Vec<String> = Vec::new();
    for line in &course.lines {
        let Some((first, last)) = line.points.first().zip(line.points.last()) else {
            parts.push(format!("{}: {}.", line.name, words.no_readings));
            continue;
        };
        let days = if first.on == last.on { first.on.to_string() } else { format!("{} – {}", first.on, last.on) };
        let count = line.points.len();
        parts.push(format!("{}: {}; {} {count}; {days}.", line.name, summary(line, words), words.readings));
    }
    for what in What::ALL {
        let days: Vec<Date> = course.marks.iter().filter(|m| m.what == what).map(|m| m.on).collect();
        if let (Some(first), Some(last)) = (days.first(), days.last()) {
            let days_text = if first == last { first.to_string() } else { format!("{first} – {last}") };
            parts.push(format!("{}: {}; {days_text}.", words.lane(what), days.len()));
        }
    }
    if parts.is_empty() { words.nothing.clone() } else { parts.join(" ") }
}

/// The sign of a kind, each of another shape, so that it needs no colour.
fn sign(what: What, x: f64, y: f64, hollow: bool) -> String {
    match what {
        What::Visit => format!(
            r#"<path d="M{:.1} {:.1}l5 9h-10z" fill="{FAINT}" stroke="{FAINT}" stroke-linejoin="round"/>"#,
            x,
            y - 5.0
        ),
        What::Prescription => {
            let fill = if hollow { "#fbf8f1" } else { RX };
            format!(
                r#"<path d="M{x:.1} {:.1}l6 6l-6 6l-6 -6z" fill="{fill}" stroke="{RX}" stroke-width="1.4"/>"#,
                y - 6.0
            )
        }
        What::Dispensing => format!(
            r#"<rect x="{:.1}" y="{:.1}" width="9" height="9" fill="none" stroke="{OUT}" stroke-width="1.8"/>"#,
            x - 4.5,
            y - 4.5
        ),
    }
}

/// The sign of a reading; one with a remark has a ring.
fn dot(x: f64, y: f64, radius: f64, remark: bool) -> String {
    let ring = if remark {
        let around = radius + 2.8;
        format!(r#"<circle cx="{x:.1}" cy="{y:.1}" r="{around:.1}" fill="none" stroke="{LINE}"/>"#)
    } else {
        String::new()
    };
    format!(r#"{ring}<circle cx="{x:.1}" cy="{y:.1}" r="{radius:.1}" fill="{LINE}"/>"#)
}

fn title_of(mark: &Mark, words: &Words) -> String {
    let withdrawn = if mark.withdrawn { format!(" ({})", words.withdrawn) } else { String::new() };
    format!("{} {}{withdrawn}", mark.on, mark.title).trim().to_string()
}

impl Sheet<'_> {
    /// Signs and what they stand for, as far as they are in the picture.
    fn legend(&mut self, course: &Course) {
        let words = self.words;
        let mut entries: Vec<(String, &str)> = Vec::new();
        let points = || course.lines.iter().flat_map(|l| &l.points);
        if points().next().is_some() {
            entries.push((dot(0.0, 0.0, 4.0, false), &words.reading));
        }
        if points().any(|p| !p.note.trim().is_empty()) {
            entries.push((dot(0.0, 0.0, 4.0, true), &words.remark));
        }
        for what in What::ALL {
            if course.marks.iter().any(|m| m.what == what) {
                entries.push((sign(what, 0.0, 0.0, false), words.lane(what)));
            }
        }
        if course.marks.iter().any(|m| m.withdrawn) {
            entries.push((sign(What::Prescription, 0.0, 0.0, true), &words.withdrawn));
        }
        let mut x = EDGE + 8.0;
        for (sign, word) in entries {
            let word = fit(word, TEXT, WIDE / 2.0);
            let wide = 14.0 + width(&word, TEXT) + 22.0;
            if x + wide > WIDE && x > EDGE + 8.0 {
                x = EDGE + 8.0;
                self.y += 20.0;
            }
            let _ = writeln!(self.svg, r#"<g transform="translate({x:.1} {:.1})">{sign}</g>"#, self.y - 4.0);
            let y = self.y;
            self.text(x + 14.0, y, TEXT, "start", FAINT, &word);
            x += wide;
        }
        self.y += 18.0;
    }

    /// A broken line at each prescription, from `top` to `bottom`; none where they would be all one sees.
    fn guides(&mut self, course: &Course, times: &Times, top: f64, bottom: f64) {
        let signed = || course.marks.iter().filter(|m| m.what == What::Prescription);
        if signed().count() <= LISTED {
            for mark in signed() {
                let x = times.x(mark.on);
                self.rule((x, top), (x, bottom), RX, r#" stroke-dasharray="3 4" stroke-opacity="0.6""#);
            }
        }
    }

    fn lane(&mut self, course: &Course, times: &Times, what: What) {
        let high = if what == What::Prescription { LANE + 12.0 } else { LANE };
        // What is above the signs is for their numbers.
        let (words, left, y) = (self.words, self.left, self.y + high - LANE / 2.0);
        self.rule((left, y), (times.right, y), GRID, "");
        let name = fit(words.lane(what), TEXT, left - EDGE - 9.0);
        self.text(left - 10.0, y + 4.0, TEXT, "end", FAINT, &name);
        for mark in course.marks.iter().filter(|m| m.what == what) {
            let sign = sign(what, times.x(mark.on), y, mark.withdrawn);
            let _ = writeln!(self.svg, "<g><title>{}</title>{sign}</g>", escape(&title_of(mark, words)));
        }
        if what == What::Prescription {
            self.numbers(course, times, y);
        }
        self.y += high;
    }

    /// The number in the list above the sign of each prescription; `3–5` where several lie close together.
    fn numbers(&mut self, course: &Course, times: &Times, y: f64) {
        let days: Vec<f64> =
            course.marks.iter().filter(|m| m.what == What::Prescription).map(|m| times.x(m.on)).collect();
        if days.len() > LISTED {
            return;
        }
        let mut start = 0;
        for (i, x) in days.iter().enumerate() {
            if days.get(i + 1).is_some_and(|next| next - x < 16.0) {
                continue;
            }
            let text = if start == i { format!("{}", i + 1) } else { format!("{}–{}", start + 1, i + 1) };
            self.text((days[start] + x) / 2.0, y - 10.0, 10.0, "middle", RX, &text);
            start = i + 1;
        }
    }

    fn dates(&mut self, ticks: &[(f64, String)], y: f64) {
        for (x, text) in ticks {
            self.rule((*x, y), (*x, y + 4.0), FAINT, "");
            self.text(*x, y + 16.0, SMALL, "middle", FAINT, text);
        }
        self.y = y + FOOT;
    }

    fn panel(&mut self, course: &Course, line: &Line, values: &Values, times: Option<&Times>, ticks: &[(f64, String)]) {
        let (words, left, right) = (self.words, self.left, WIDE - RIGHT);
        self.heading(line);
        let top = self.y + HEAD;
        let _ = writeln!(
            self.svg,
            r##"<rect class="panel" x="{left:.1}" y="{top:.1}" width="{:.1}" height="{PANEL:.1}" fill="#fffdf7" fill-opacity="0.6" stroke="{GRID}"/>"##,
            right - left
        );
        for (x, _) in ticks {
            self.rule((*x, top), (*x, top + PANEL), GRID, r#" stroke-opacity="0.6""#);
        }
        if let Some(times) = times {
            self.guides(course, times, top, top + PANEL);
        }
        for (value, text) in &values.ticks {
            let y = values.y(*value, top);
            self.rule((left, y), (right, y), GRID, "");
            self.text(left - 8.0, y + 4.0, SMALL, "end", FAINT, text);
        }
        match times {
            Some(times) if !line.points.is_empty() => self.points(line, values, times, top),
            _ => self.text((left + right) / 2.0, top + PANEL / 2.0 + 4.0, TEXT, "middle", FAINT, &words.no_readings),
        }
        self.dates(ticks, top + PANEL);
    }

    /// Name and unit at the left, what became of it at the right.
    fn heading(&mut self, line: &Line) {
        let (words, left, right, y) = (self.words, self.left, WIDE - RIGHT, self.y + HEAD - 8.0);
        let way = match line.better {
            Better::Less => format!("↓ {}", words.less_is_better),
            Better::More => format!("↑ {}", words.more_is_better),
        };
        let summary = fit(&summary(line, words), 13.0, (right - left) * 0.6);
        let room = right - left - width(&summary, 13.0) - width(&way, SMALL) - 30.0;
        let name = if line.unit.is_empty() { line.name.clone() } else { format!("{} ({})", line.name, line.unit) };
        let _ = writeln!(
            self.svg,
            r#"<text x="{left:.1}" y="{y:.1}" font-size="14" font-weight="bold" fill="{INK}">{}<tspan dx="10" font-size="{SMALL}" font-weight="normal" fill="{FAINT}">{}</tspan></text>"#,
            escape(&fit(&name, 15.0, room)),
            escape(&way),
        );
        self.text(right, y, 13.0, "end", INK, &summary);
    }

    fn points(&mut self, line: &Line, values: &Values, times: &Times, top: f64) {
        let place = |p: &Point| (times.x(p.on), values.y(p.value.0.for_drawing(), top));
        if line.points.len() > 1 {
            let path: Vec<String> = line.points.iter().map(place).map(|(x, y)| format!("{x:.1},{y:.1}")).collect();
            let _ = writeln!(
                self.svg,
                r#"<polyline points="{}" fill="none" stroke="{LINE}" stroke-width="1.6" stroke-linejoin="round"/>"#,
                path.join(" ")
            );
        }
        // Smaller where they stand close, so that the line is still seen.
        let apart = (times.right - times.left) / line.points.len() as f64;
        let radius = (apart / 3.0).clamp(1.6, 4.0);
        for p in &line.points {
            let (x, y) = place(p);
            let note = p.note.trim();
            let said = if note.is_empty() { String::new() } else { format!(": {note}") };
            let title = format!("{} {}{said}", p.on, with_unit(shown(p.value), &line.unit));
            let _ = writeln!(
                self.svg,
                r#"<g class="point"><title>{}</title>{}</g>"#,
                escape(&title),
                dot(x, y, radius, !note.is_empty())
            );
        }
    }

    /// The prescriptions by number, in two columns, so that the picture says on paper what it says under a pointer.
    fn list(&mut self, course: &Course) {
        let words = self.words;
        let signed: Vec<&Mark> = course.marks.iter().filter(|m| m.what == What::Prescription).collect();
        if signed.is_empty() {
            return;
        }
        self.y += 16.0;
        let y = self.y;
        self.text(EDGE, y, TEXT, "start", INK, &words.prescriptions);
        let listed = signed.len().min(LISTED);
        let rows = if listed > 4 { listed.div_ceil(2) } else { listed };
        for (i, mark) in signed.iter().take(LISTED).enumerate() {
            let x = EDGE + (i / rows) as f64 * (WIDE / 2.0 - EDGE);
            let text = format!("{}.  {}", i + 1, title_of(mark, words));
            let room = if rows == listed { WIDE - 2.0 * EDGE } else { WIDE / 2.0 - EDGE - 16.0 };
            self.text(x, y + 18.0 * ((i % rows) + 1) as f64, TEXT, "start", FAINT, &fit(&text, TEXT, room));
        }
        self.y += 18.0 * rows as f64;
        if signed.len() > LISTED {
            self.y += 18.0;
            let y = self.y;
            self.text(EDGE, y, TEXT, "start", FAINT, &format!("+ {} {}", signed.len() - LISTED, words.more));
        }
    }
}

/// The heading of a panel, and the dates under it.
const HEAD: f64 = 34.0;
const FOOT: f64 = 24.0;

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use jiff::Timestamp;
    use jiff::civil::date;
    use proptest::prelude::*;

    use super::*;
    use crate::model::{
        DispensedLine, Dispensing, Kept, Measure, Person, Prescription, Reading, Signature, Visit, Withdrawal,
    };

    fn exact(text: &str) -> Exact {
        Exact(text.parse().unwrap())
    }

    fn kept<B>(id: &str, record: B) -> Kept<B> {
        let (person, by) = ("p1".into(), "j.oake".into());
        Kept { id: id.into(), person, version: 1, written: Timestamp::UNIX_EPOCH, by, record }
    }

    fn nobody() -> Whole {
        Whole {
            person: kept("p1", Person { names: vec!["Willow Nobody".into()], ..Person::default() }),
            visits: vec![],
            prescriptions: vec![],
            dispensings: vec![],
            measures: vec![],
            readings: vec![],
            appointments: vec![],
            attachments: vec![],
        }
    }

    fn measure(whole: &mut Whole, id: &str, name: &str, least: &str, most: Option<&str>, unit: &str, better: Better) {
        let record =
            Measure { name: name.into(), least: exact(least), most: most.map(exact), unit: unit.into(), better };
        whole.measures.push(kept(id, record));
    }

    fn reading(whole: &mut Whole, measure: &str, on: Date, value: &str, note: &str) {
        let record = Reading { measure: measure.into(), on, value: exact(value), visit: None, note: note.into() };
        let id = format!("r{}", whole.readings.len());
        whole.readings.push(kept(&id, record));
    }

    fn visit(whole: &mut Whole, on: Date, complaint: &str) {
        let record = Visit {
            on,
            complaint: complaint.into(),
            practitioner: String::new(),
            notes: String::new(),
            findings: vec![],
            absent: vec![],
            tongue: String::new(),
            pulse: String::new(),
            patterns: vec![],
            reasoning: String::new(),
            plan: String::new(),
            flags: vec![],
        };
        whole.visits.push(kept("v", record));
    }

    fn prescription(whole: &mut Whole, on: Date, title: &str, signed: bool, withdrawn: bool) {
        let at = Timestamp::UNIX_EPOCH;
        let signature =
            Signature { by: "j.oake".into(), at, hash: String::new(), findings: vec![], not_checked: vec![] };
        let record = Prescription {
            on,
            title: title.into(),
            visit: None,
            formula: None,
            items: vec![],
            form: None,
            granule_ratio: None,
            days: Some(7),
            doses: None,
            directions: String::new(),
            patterns: vec![],
            overrides: vec![],
            parent: None,
            why: String::new(),
            signed: signed.then_some(signature),
            withdrawn: withdrawn.then(|| Withdrawal { by: "j.oake".into(), at, why: "cold".into() }),
        };
        whole.prescriptions.push(kept("x", record));
    }

    fn dispensing(whole: &mut Whole, on: Date, number: &str) {
        let lines = vec![DispensedLine {
            substance: "a".into(),
            product: String::new(),
            lot: String::new(),
            grams: exact("9"),
        }];
        let record = Dispensing {
            prescription: "x".into(),
            number: number.into(),
            on,
            dispenser: String::new(),
            preparation: "decoction".into(),
            days: 7,
            doses: None,
            lines,
            remarks: vec![],
            price: None,
        };
        whole.dispensings.push(kept("d", record));
    }

    /// A person with a bit of everything.
    fn somebody() -> Whole {
        let mut w = nobody();
        measure(&mut w, "m1", "Pain in the left knee", "0", Some("10"), "", Better::Less);
        measure(&mut w, "m2", "Sleep", "0", None, "h", Better::More);
        measure(&mut w, "m3", "Dizzy <when> \"standing\" & 头晕", "0", Some("10"), "", Better::Less);
        for (day, value, note) in [
            (date(2024, 1, 8), "8", "before the first bag"),
            (date(2024, 1, 22), "7", ""),
            (date(2024, 2, 5), "5.5", ""),
            (date(2024, 2, 19), "6", "cold & wet <week>"),
            (date(2024, 3, 18), "3", ""),
            (date(2024, 5, 27), "2", ""),
        ] {
            reading(&mut w, "m1", day, value, note);
            visit(&mut w, day, "knee");
        }
        for (day, value) in [(date(2024, 1, 8), "5 1/3"), (date(2024, 2, 5), "6.25"), (date(2024, 5, 27), "7")] {
            reading(&mut w, "m2", day, value, "");
        }
        prescription(&mut w, date(2024, 1, 8), "Du Huo Ji Sheng Tang 獨活寄生湯", true, false);
        prescription(&mut w, date(2024, 1, 10), "the same, without Xi Xin", true, false);
        prescription(&mut w, date(2024, 2, 19), "Juan Bi Tang <first>", true, true);
        prescription(&mut w, date(2024, 3, 18), "a draft", false, false);
        for (day, number) in [(date(2024, 1, 8), "24-1"), (date(2024, 1, 11), "24-2"), (date(2024, 2, 20), "24-3")] {
            dispensing(&mut w, day, number);
        }
        w
    }

    #[test]
    fn the_change_is_exact() {
        let mut w = nobody();
        measure(&mut w, "m", "Sleep", "0", None, "h", Better::More);
        // Out of order, as nobody should hand it in.
        reading(&mut w, "m", date(2024, 3, 1), "7/10", "");
        reading(&mut w, "m", date(2024, 1, 1), "1/3", "");
        reading(&mut w, "m", date(2024, 2, 1), "5", "");
        let course = course(&w);
        let line = &course.lines[0];
        assert_eq!(line.points.iter().map(|p| p.on.month()).collect::<Vec<_>>(), [1, 2, 3]);
        assert_eq!((line.first, line.last), (Some(exact("1/3")), Some(exact("7/10"))));
        assert_eq!(line.change, Some(exact("11/30")));
        assert_eq!(line.trend, Some(Trend::Better));
        assert_eq!(summary(line, &Words::default()), "1/3 → 0.7 h (+11/30), better");
    }

    #[test]
    fn which_way_is_better() {
        use Better::{Less, More};
        let of = |a: &str, b: &str, better| Trend::of(exact(a).0, exact(b).0, better).word();
        assert_eq!(of("7", "3", Less), "better");
        assert_eq!(of("7", "3", More), "worse");
        assert_eq!(of("3", "7", Less), "worse");
        assert_eq!(of("3", "7", More), "better");
        assert_eq!(of("1/3", "2/6", More), "same");
        // A difference that no double shows.
        assert_eq!(of("1", "1.00000000000001", Less), "worse");
    }

    #[test]
    fn one_reading_has_no_change() {
        let mut w = nobody();
        measure(&mut w, "m", "Pain", "0", Some("10"), "", Better::Less);
        assert_eq!(course(&w).lines[0].first, None);
        reading(&mut w, "m", date(2024, 1, 1), "4", "");
        let c = course(&w);
        assert_eq!((c.lines[0].first, c.lines[0].last), (Some(exact("4")), Some(exact("4"))));
        assert_eq!((c.lines[0].change, c.lines[0].trend), (None, None));
    }

    #[test]
    fn what_stands_along_the_way() {
        let mut w = somebody();
        reading(&mut w, "nothing", date(2024, 1, 1), "4", "");
        let c = course(&w);
        assert_eq!(c.unplaced, 1);
        let count = |what| c.marks.iter().filter(|m| m.what == what).count();
        assert_eq!((count(What::Visit), count(What::Prescription), count(What::Dispensing)), (6, 3, 3));
        assert!(c.marks.iter().all(|m| m.title != "a draft"));
        assert!(c.marks.windows(2).all(|m| m[0].on <= m[1].on));
        assert_eq!(c.marks.iter().filter(|m| m.withdrawn).count(), 1);
        let json = serde_json::to_string(&c).unwrap();
        assert_eq!(serde_json::from_str::<Course>(&json).unwrap(), c);
        assert!(schemars::schema_for!(Course).as_object().is_some());
    }

    /// A small reader of XML: fails at whatever is not well-formed in what we write. Gives tags with their attributes, in order.
    fn tags(xml: &str) -> Vec<(String, Vec<(String, String)>)> {
        fn entities(text: &str) {
            for part in text.split('&').skip(1) {
                let name = part.split(';').next().unwrap();
                assert!(["amp", "lt", "gt", "quot", "#39"].contains(&name), "&{name}");
            }
            assert!(!text.contains('<') && text.chars().all(|c| c >= ' ' || "\t\n\r".contains(c)), "{text:?}");
        }
        let (mut open, mut all, mut rest) = (Vec::new(), Vec::new(), xml);
        while let Some(at) = rest.find('<') {
            entities(&rest[..at]);
            let end = at + rest[at..].find('>').unwrap();
            let inside = &rest[at + 1..end];
            rest = &rest[end + 1..];
            if let Some(name) = inside.strip_prefix('/') {
                assert_eq!(open.pop().as_deref(), Some(name));
                continue;
            }
            let (inside, alone) = inside.strip_suffix('/').map_or((inside, false), |i| (i, true));
            let (name, mut more) = inside.split_once(' ').unwrap_or((inside, ""));
            let mut attributes: Vec<(String, String)> = Vec::new();
            while !more.trim().is_empty() {
                let (key, value) = more.split_once("=\"").unwrap();
                let (value, after) = value.split_once('"').unwrap();
                entities(value);
                assert!(attributes.iter().all(|(k, _)| k != key.trim()), "{key} twice");
                assert!(after.is_empty() || after.starts_with(' '), "{after}");
                attributes.push((key.trim().into(), value.into()));
                more = after;
            }
            all.push((name.to_string(), attributes));
            if !alone {
                open.push(name.to_string());
            }
        }
        assert!(open.is_empty() && rest.trim().is_empty());
        all
    }

    fn value<'a>(attributes: &'a [(String, String)], key: &str) -> Option<&'a str> {
        attributes.iter().find(|(k, _)| k == key).map(|(_, v)| v.as_str())
    }

    fn size(attributes: &[(String, String)], key: &str) -> f64 {
        value(attributes, key).unwrap().parse().unwrap()
    }

    /// Well-formed, accessible, no script; each point in its panel, each text within the picture, no two dates over each other.
    fn check(course: &Course, words: &Words) -> String {
        let picture = svg(course, words);
        let tags = tags(&picture);
        let root = &tags[0].1;
        assert_eq!((value(root, "role"), value(root, "width")), (Some("img"), Some("900")));
        assert_eq!(value(root, "aria-labelledby"), Some("course-title course-desc"));
        let number = |v: &str| !v.contains("NaN") && !v.contains("inf");
        assert!(tags.iter().all(|(_, a)| a.iter().all(|(k, v)| k == "class" || number(v))), "{picture}");
        assert!(tags.iter().all(|(t, a)| t != "script" && t != "style" && a.iter().all(|(k, _)| !k.starts_with("on"))));
        let high = size(root, "height");
        let (mut panel, mut panels, mut points) = (None, 0, Vec::new());
        let mut in_point = false;
        for (tag, a) in &tags {
            match tag.as_str() {
                "rect" if value(a, "class") == Some("panel") => {
                    let (x, y) = (size(a, "x"), size(a, "y"));
                    panel = Some((x, y, x + size(a, "width"), y + size(a, "height")));
                    assert!(x > 0.0 && x + size(a, "width") < 900.0 && y + size(a, "height") < high);
                    panels += 1;
                    points.push(0);
                }
                "g" => in_point = value(a, "class") == Some("point"),
                "circle" if in_point && value(a, "fill") != Some("none") => {
                    let (x, y, r) = (size(a, "cx"), size(a, "cy"), size(a, "r"));
                    let (x1, y1, x2, y2) = panel.unwrap();
                    assert!(x - r >= x1 && x + r <= x2 && y - r >= y1 && y + r <= y2, "{x} {y} in {panel:?}");
                    *points.last_mut().unwrap() += 1;
                }
                "text" => {
                    let (x, y) = (size(a, "x"), size(a, "y"));
                    assert!((0.0..=900.0).contains(&x) && y > 0.0 && y < high, "{a:?}");
                }
                _ => {}
            }
        }
        assert_eq!(panels, course.lines.len());
        assert_eq!(points, course.lines.iter().map(|l| l.points.len()).collect::<Vec<_>>());
        if let Some(times) = Times::of(course, 150.0) {
            let ticks = times.ticks();
            assert!(!ticks.is_empty() && ticks.len() < 60);
            for pair in ticks.windows(2) {
                let (a, b) = (&pair[0], &pair[1]);
                assert!(a.0 + (width(&a.1, SMALL) + width(&b.1, SMALL)) / 2.0 < b.0, "{a:?} {b:?}");
            }
            for (x, text) in &ticks {
                assert!(*x >= times.left && x + width(text, SMALL) / 2.0 <= WIDE, "{x} {text}");
            }
        }
        for line in &course.lines {
            let values = Values::of(line);
            assert!(values.low < values.high && (2..=14).contains(&values.ticks.len()), "{:?}", values.ticks);
            for pair in values.ticks.windows(2) {
                assert!(values.y(pair[0].0, 0.0) - values.y(pair[1].0, 0.0) > 9.0, "{:?}", values.ticks);
                assert_ne!(pair[0].1, pair[1].1, "{:?}", values.ticks);
            }
        }
        if let Ok(folder) = std::env::var("COURSE_SAMPLES") {
            let name = escape(&words.title).replace(|c: char| !c.is_alphanumeric(), "-");
            std::fs::write(format!("{folder}/{name}.svg"), &picture).unwrap();
        }
        picture
    }

    fn titled(title: &str) -> Words {
        Words { title: title.into(), ..Words::default() }
    }

    #[test]
    fn a_picture_of_everything() {
        let picture = check(&course(&somebody()), &titled("Course of Willow Nobody"));
        for text in [
            "cold &amp; wet &lt;week&gt;",
            "Juan Bi Tang &lt;first&gt; (withdrawn)",
            "Dizzy &lt;when&gt; &quot;standing&quot; &amp; 头晕",
            "8 → 2 (−6), better",
            "5 1/3 → 7 h (+1 2/3), better",
            "no reading yet",
        ] {
            assert!(picture.contains(text), "{text}");
        }
    }

    #[test]
    fn in_chinese() {
        let w = str::to_string;
        let words = Words {
            lang: w("zh-Hant"),
            title: w("病程 柳無名"),
            reading: w("讀數"),
            remark: w("有備註的讀數"),
            visits: w("就診"),
            prescriptions: w("處方"),
            dispensings: w("配藥"),
            withdrawn: w("已撤回"),
            readings: w("讀數"),
            no_readings: w("尚無讀數"),
            nothing: w("尚無記錄"),
            less_is_better: w("越少越好"),
            more_is_better: w("越多越好"),
            better: w("好轉"),
            same: w("不變"),
            worse: w("惡化"),
            more: w("張"),
        };
        let picture = check(&course(&somebody()), &words);
        assert!(picture.contains("lang=\"zh-Hant\"") && picture.contains("8 → 2 (−6), 好轉"));
    }

    #[test]
    fn with_little_or_nothing() {
        assert!(check(&course(&nobody()), &titled("nothing at all")).contains("There is no measure"));
        let mut w = nobody();
        measure(&mut w, "m", "Pain", "0", Some("10"), "", Better::Less);
        assert!(check(&course(&w), &titled("no reading")).contains("no reading yet"));
        visit(&mut w, date(2024, 2, 29), "knee");
        check(&course(&w), &titled("a visit only"));
        reading(&mut w, "m", date(2024, 2, 29), "4", "");
        check(&course(&w), &titled("one point"));
        let mut w = nobody();
        prescription(&mut w, date(2024, 2, 29), "", true, false);
        check(&course(&w), &titled("no measure"));
    }

    #[test]
    fn with_odd_values() {
        let mut w = nobody();
        for (i, (least, most, values)) in [
            ("0", None, &["7", "7"][..]),
            ("0", None, &["0", "0"]),
            ("0", None, &["1/3", "1/7", "2/9"]),
            ("0", Some("10"), &["12", "-3"]),
            ("-5", Some("5"), &["-5", "5", "1/2"]),
            ("1", Some("7"), &["1", "7"]),
            ("0", Some("21"), &["3"]),
            ("0", None, &["999999999999999", "0.0000001", "3"]),
            ("0", None, &["0.000000001", "0.000000002"]),
            ("0", Some("1/3"), &["1/6"]),
            ("5", Some("5"), &["5"]),
        ]
        .into_iter()
        .enumerate()
        {
            let id = format!("m{i}");
            measure(&mut w, &id, &format!("odd {i}"), least, most, "", Better::Less);
            for value in values {
                reading(&mut w, &id, date(2024, 1, 1), value, "\u{0}\u{b}]]>\u{ffff}");
            }
        }
        // The label of the smallest of all has no room to differ; the rest is held to it.
        w.measures.remove(8);
        w.readings.retain(|r| r.record.measure != "m8");
        check(&course(&w), &titled("odd values"));
    }

    #[test]
    fn with_very_much() {
        let mut w = nobody();
        measure(&mut w, "m", &"A name without end ".repeat(20), "0", Some("100"), "mm", Better::Less);
        let mut day = date(2021, 1, 1);
        for i in 0..1000 {
            day = day.saturating_add((1 + i % 2).days());
            reading(
                &mut w,
                "m",
                day,
                &format!("{}", 50 + (i * 37 % 41) - i / 25),
                if i % 97 == 0 { "note" } else { "" },
            );
            if i % 10 == 0 {
                visit(&mut w, day, "x");
                prescription(&mut w, day, &"word ".repeat(50), true, i % 40 == 0);
                dispensing(&mut w, day, "1");
            }
        }
        let picture = check(&course(&w), &titled("a thousand readings"));
        assert!(picture.contains("+ 60 more"));
    }

    #[test]
    fn dates_by_span() {
        for (days, first) in [
            (1, "2023-12-30"),
            (6, "2023-12-30"),
            (12, "2023-12-30"),
            (20, "2024-01-01"),
            (60, "2024-01-01"),
            (100, "2024-01-01"),
            (200, "2024-01"),
            (800, "2024-01"),
            (2000, "2024-01"),
            (9000, "2024"),
            (30_000, "2025"),
        ] {
            let from = date(2023, 12, 30);
            let times = Times { from, days: f64::from(days), left: 80.0, right: WIDE - RIGHT };
            let ticks = times.ticks();
            assert!(ticks.len() >= 2, "{days}: {ticks:?}");
            assert!(ticks.len() <= 24, "{days}: {ticks:?}");
            assert_eq!(ticks[0].1, first, "{days}: {ticks:?}");
        }
        let all = Times { from: Date::MIN, days: days_between(Date::MIN, Date::MAX) as f64, left: 80.0, right: 858.0 };
        assert!(all.ticks().len() > 2);
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(200))]

        #[test]
        fn every_point_lies_in_its_panel(
            scale in (-20i64..20, proptest::option::of(1i64..200)),
            readings in proptest::collection::vec((0i64..20_000, -300i64..300, 1i64..12, ".{0,12}"), 0..30),
            spread in 1i64..500,
            name in ".{0,40}",
        ) {
            let mut w = nobody();
            let most = scale.1.map(|m| (scale.0 + m).to_string());
            measure(&mut w, "m", &name, &scale.0.to_string(), most.as_deref(), &name, Better::Less);
            measure(&mut w, "n", &name, "0", None, "", Better::More);
            for (day, top, bottom, note) in &readings {
                let on = date(1990, 5, 17).saturating_add((day / spread).days());
                reading(&mut w, if top % 3 == 0 { "n" } else { "m" }, on, &format!("{top}/{bottom}"), note);
            }
            check(&course(&w), &Words::default());
        }
    }
}
