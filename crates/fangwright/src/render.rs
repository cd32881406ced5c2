//! Answers as text.

use std::fmt::Write as _;

use annotate_snippets::{AnnotationKind, Group, Level, Renderer, Snippet};
use fangwright_amount::{Amount, Rational};
use fangwright_formula::{
    Aim, Blend, Changed, Diagnostic, Difference, Family, Mix, Prescription, Profile, Tie, Trace, Verdict, Way, Weight,
    What, formula_label, label,
};
use fangwright_materia::records::{How, Lean};
use fangwright_materia::{FormulaIx, Materia, Resolution, SubstanceIx};
use unicode_width::UnicodeWidthStr;

use crate::cautions;
use crate::output::{Holding, TraceAnswer, Weighed};
use crate::run::{Session, era};

/// Pads to a width on the screen, where hanzi take two columns.
pub fn pad(text: &str, wide: usize) -> String {
    let have = UnicodeWidthStr::width(text);
    format!("{text}{}", " ".repeat(wide.saturating_sub(have)))
}

/// Breaks a long line, later lines indented.
pub fn wrap(text: &str, indent: usize, out: &mut String) {
    hang(text, indent, indent, out);
}

/// The same, with the later lines at another indent.
pub fn hang(text: &str, first_indent: usize, indent: usize, out: &mut String) {
    const WIDE: usize = 100;
    let mut column = first_indent;
    let mut first = true;
    out.push_str(&" ".repeat(first_indent));
    for word in text.split(' ') {
        let w = UnicodeWidthStr::width(word);
        if !first && column + 1 + w > WIDE {
            out.push('\n');
            out.push_str(&" ".repeat(indent));
            column = indent;
            first = true;
        }
        if !first {
            out.push(' ');
            column += 1;
        }
        out.push_str(word);
        column += w;
        first = false;
    }
    out.push('\n');
}

pub fn heading(text: &str) -> String {
    format!("\n━━ {text}\n\n")
}

pub fn caution() -> String {
    let mut out = String::from("\n");
    wrap(cautions::SHORT, 0, &mut out);
    out
}

pub fn diagnostics(input: &str, list: &[Diagnostic]) -> String {
    let mut out = String::new();
    let renderer = Renderer::plain();
    // Where there are very many, the first of each kind says enough.
    const MOST: usize = 40;
    let mut sorted: Vec<&Diagnostic> = list.iter().collect();
    sorted.sort_by_key(|d| std::cmp::Reverse(d.weight));
    let hidden = sorted.len().saturating_sub(MOST);
    sorted.truncate(MOST);
    for d in sorted {
        let level = match d.weight {
            Weight::Error => Level::ERROR,
            Weight::Warning => Level::WARNING,
            Weight::Note => Level::NOTE,
        };
        // Snippets of very long lines are cut to the neighbourhood of the place.
        let (from, text) = window(input, d.span.start, d.span.end);
        let range = d.span.start.saturating_sub(from)..d.span.end.saturating_sub(from).min(text.len());
        let line = input[..from].matches('\n').count() + 1;
        let title = level.primary_title(d.message.as_str()).id(d.code.as_str());
        let mut group: Group<'_> =
            title.element(Snippet::source(text).line_start(line).annotation(AnnotationKind::Primary.span(range)));
        if !d.help.is_empty() {
            group = group.element(Level::HELP.message(d.help.as_str()));
        }
        let _ = writeln!(out, "{}", renderer.render(&[group]));
    }
    if hidden > 0 {
        let _ = writeln!(out, "… and {hidden} more; `--json` lists all of them");
    }
    if !out.is_empty() {
        out.push('\n');
    }
    out
}

/// The lines around a place, cut where they are very long; where the cut begins, and the text.
fn window(input: &str, start: usize, end: usize) -> (usize, &str) {
    let start = floor(input, start);
    let end = floor(input, end.max(start));
    let mut from = input[..start].rfind('\n').map_or(0, |i| i + 1);
    let mut to = input[end..].find('\n').map_or(input.len(), |i| end + i);
    if start - from > 200 {
        from = floor(input, start - 60);
    }
    if to - end > 200 {
        to = floor(input, end + 60);
    }
    if to - from > 1000 {
        to = floor(input, from + 1000).max(start);
    }
    (from, &input[from..to])
}

fn floor(text: &str, mut at: usize) -> usize {
    at = at.min(text.len());
    while !text.is_char_boundary(at) {
        at -= 1;
    }
    at
}

fn grams(g: Option<Rational>) -> String {
    g.map_or_else(|| "—".to_string(), |g| format!("{} g", g.decimal(2)))
}

pub fn prescription(s: &Session, input: &str, rx: &Prescription) -> String {
    let m = s.m();
    let mut out = String::new();
    for line in input.lines().take(30) {
        let line: String = line.chars().take(160).collect();
        let _ = writeln!(out, "  │ {line}");
    }
    out.push('\n');
    let mix = Mix::of_prescription(m, rx, &s.conventions);
    for item in rx.items.iter().take(60) {
        let written = item.amount.as_ref().map_or(String::new(), |w| match &w.upto {
            Some(upto) => format!("{} to {upto}", w.amount),
            None => w.amount.to_string(),
        });
        let (name, english, weight) = match item.means.settled() {
            Some(x) => (label(m, x), m.substance(x).english.clone(), grams(mix.grams(x))),
            None => (format!("? {}", item.name), "not settled, not checked".to_string(), "—".to_string()),
        };
        let pot: Vec<String> = item.pot.iter().map(ToString::to_string).collect();
        let pot = if pot.is_empty() { String::new() } else { format!("  [{}]", pot.join(", ")) };
        let _ = writeln!(out, "  {} {} {} {english}{pot}", pad(&name, 30), pad(&written, 16), pad(&weight, 9));
    }
    if rx.items.len() > 60 {
        let _ = writeln!(out, "  … and {} more", rx.items.len() - 60);
    }
    let mut tail = Vec::new();
    if let Some(d) = rx.doses {
        tail.push(format!("doses: {d}"));
    }
    if let Some(d) = rx.days {
        tail.push(format!("days: {d}"));
    }
    if !rx.left_out.is_empty() {
        let names: Vec<String> = rx.left_out.iter().map(|x| label(m, *x)).collect();
        tail.push(format!("left out: {}", names.join(", ")));
    }
    for d in &rx.directions {
        tail.push(format!("direction: {d}"));
    }
    for t in tail {
        let _ = writeln!(out, "  {t}");
    }
    if rx.items.iter().filter_map(|i| i.amount.as_ref()).any(|w| w.amount.0.iter().any(|(_, u)| u.word() != "g"))
        && let Some(c) = s.conventions.of(s.conventions.written)
    {
        let _ = writeln!(out, "  old units weighed by {}: {}", c.id, c.name);
    }
    out.push('\n');
    out
}

fn tie(t: Tie) -> &'static str {
    match t {
        Tie::Same => "same",
        Tie::OtherForm => "another form",
        Tie::Swap => "in its place",
    }
}

pub fn trace(s: &Session, t: &Trace) -> String {
    let m = s.m();
    let mut out = String::new();
    let c = &t.costs;
    if t.best.is_empty() {
        let _ = writeln!(
            out,
            "No known base: no formula or sum of up to three comes out under {} points, which writing it from nothing costs.",
            t.points_without_base
        );
    } else {
        let ties = if t.best.len() > 1 {
            format!(" ({} sums with equal points)", t.best.len() + t.more_ties)
        } else {
            String::new()
        };
        let _ = writeln!(out, "Built on{ties}:");
        for sum in &t.best {
            let names: Vec<String> = sum.bases.iter().map(|b| formula_label(m, b.formula)).collect();
            let gap =
                sum.dose_gap.map_or(String::new(), |g| format!(", doses {}.{} % off its proportions", g / 10, g % 10));
            let _ = writeln!(out, "  {}  ({} points{gap})", names.join(" + "), sum.points);
            for b in &sum.bases {
                let mut notes = Vec::new();
                for (theirs, ours, how) in &b.keeps {
                    if *how != Tie::Same {
                        notes.push(format!("{} as {} ({})", label(m, *theirs), label(m, *ours), tie(*how)));
                    }
                }
                if !b.leaves_out.is_empty() {
                    let names: Vec<String> = b.leaves_out.iter().map(|x| label(m, *x)).collect();
                    notes.push(format!("without {}", names.join(", ")));
                }
                if !notes.is_empty() {
                    let _ = writeln!(out, "    of {}: {}", m.formula(b.formula).pinyin, notes.join("; "));
                }
            }
            if !sum.added.is_empty() {
                let names: Vec<String> = sum.added.iter().map(|x| label(m, *x)).collect();
                let _ = writeln!(out, "    added: {}", names.join(", "));
            }
        }
    }
    if t.more_ties > 0 {
        let _ = writeln!(out, "  … and {} more of equal points", t.more_ties);
    }
    let others: Vec<String> = t
        .singles
        .iter()
        .filter(|x| !t.best.iter().any(|b| b.bases.len() == 1 && b.bases[0].formula == x.bases[0].formula))
        .map(|x| format!("{} ({})", formula_label(m, x.bases[0].formula), x.points))
        .collect();
    if !others.is_empty() {
        let _ = writeln!(out, "  next single bases: {}", others.join(", "));
    }
    let _ = writeln!(
        out,
        "  points, our own count: {} an ingredient added; left out: {} a chief, {} a deputy, {} an assistant, {} an envoy;\n  {} another form, {} a substitute, {} each further base; {} from nothing",
        c.add,
        c.remove_chief,
        c.remove_deputy,
        c.remove_assistant,
        c.remove_envoy,
        c.other_form,
        c.swap,
        c.further_base,
        t.points_without_base
    );
    out
}

pub fn trace_answer(s: &Session, a: &TraceAnswer) -> String {
    let mut out = String::new();
    match &a.trace {
        Some(t) => out.push_str(&trace(s, t)),
        None => out.push_str("Nothing to trace: no name is settled, or there are too many.\n"),
    }
    if let Some(d) = &a.difference {
        out.push('\n');
        out.push_str(&difference(s, d));
        out.push_str(&profiles(s, d));
    }
    out
}

fn aim(m: &Materia, aim: &Aim) -> String {
    let library = m.library();
    let mut out = String::new();
    let patterns: Vec<String> =
        aim.patterns.iter().filter_map(|p| library.patterns.get(p)).map(|p| format!("{} {}", p.en, p.zh)).collect();
    let actions: Vec<String> =
        aim.actions.iter().filter_map(|a| library.actions.get(a)).map(|a| a.en.clone()).collect();
    if !patterns.is_empty() {
        wrap(&format!("For: {}.", patterns.join("; ")), 2, &mut out);
    }
    if !actions.is_empty() {
        wrap(&format!("To: {}.", actions.join(", ")), 2, &mut out);
    }
    if let Some((way, because)) = &aim.way {
        let word = if *way == Way::Up { "up and out" } else { "down and in" };
        wrap(&format!("It should move {word}: {because}."), 2, &mut out);
    }
    if let Some((side, because)) = &aim.side {
        let word = if *side == Lean::Hot { "warm" } else { "cool" };
        wrap(&format!("It should {word}: {because}."), 2, &mut out);
    }
    out
}

fn verdict(v: Verdict) -> &'static str {
    match v {
        Verdict::Fits => "fits",
        Verdict::Against => "works against it",
        Verdict::Both => "fits and works against it",
        Verdict::Open => "the data is silent on it",
    }
}

fn changed(m: &Materia, c: &Changed) -> String {
    let mut out = String::new();
    let name = |x: Option<SubstanceIx>| x.map_or_else(String::new, |x| label(m, x));
    let head = match c.what {
        What::Added => format!("+ {} {}", name(c.after), grams(c.grams_after)),
        What::Removed => format!("− {}", name(c.before)),
        What::Redosed => format!("~ {} {} for {}", name(c.after), grams(c.grams_after), grams(c.grams_before)),
        What::OtherForm | What::Swapped => {
            format!("⇄ {} {} for {}", name(c.after), grams(c.grams_after), name(c.before))
        }
        What::Kept => format!("= {} {}", name(c.after), grams(c.grams_after)),
    };
    if c.what == What::Kept {
        let _ = writeln!(out, "  {head}");
        return out;
    }
    let _ = writeln!(out, "  {head}: {}", verdict(c.verdict));
    for p in &c.points {
        let sign = match p.speaks {
            Some(true) => "for:",
            Some(false) => "against:",
            None => "·",
        };
        let text = if sign == "·" { format!("· {}", p.text) } else { format!("{sign} {}", p.text) };
        hang(&text, 6, 8, &mut out);
    }
    out
}

pub fn difference(s: &Session, d: &Difference) -> String {
    let m = s.m();
    let mut out = String::new();
    let name = |mix: &Mix, other: &str| mix.formula.map_or_else(|| other.to_string(), |f| formula_label(m, f));
    let _ = writeln!(out, "From {} to {}:", name(&d.before, "the sum"), name(&d.after, "this prescription"));
    out.push_str(&aim(m, &d.aim));
    let kept: Vec<String> =
        d.of(What::Kept).filter_map(|c| Some(format!("{} {}", label(m, c.after?), grams(c.grams_after)))).collect();
    if !kept.is_empty() {
        hang(&format!("= kept: {}", kept.join(", ")), 2, 4, &mut out);
    }
    for what in [What::Redosed, What::OtherForm, What::Swapped, What::Removed, What::Added] {
        for c in d.of(what) {
            out.push_str(&changed(m, c));
        }
    }
    if d.changes.iter().all(|c| c.what == What::Kept) {
        let _ = writeln!(out, "  Nothing is changed.");
    }
    out
}

fn percent(r: Rational) -> String {
    r.times(Rational::from(100)).map_or_else(|| "?".into(), |p| format!("{} %", p.decimal(0)))
}

fn bar(r: Rational) -> String {
    // One block for five hundredths.
    let n = r.times(Rational::from(20)).map_or(0, Rational::round).clamp(0, 20) as usize;
    "▒".repeat(n)
}

pub fn profiles(s: &Session, d: &Difference) -> String {
    let m = s.m();
    let (Some(a), Some(b)) = (&d.profile_before, &d.profile_after) else { return String::new() };
    if d.changes.iter().all(|c| c.what == What::Kept) {
        return String::new();
    }
    let mut out = String::from("\nProfile before → after (a teaching aid of ours, not a measurement):\n");
    let _ = writeln!(out, "  nature (−4 very cold … 4 very hot)   {} → {}", a.nature.decimal(2), b.nature.decimal(2));
    let _ = writeln!(out, "  upward (−1 all down … 1 all up)      {} → {}", a.upward.decimal(2), b.upward.decimal(2));
    for (title, x, y) in [
        ("tendency", &a.tendency, &b.tendency),
        ("flavour", &a.flavours, &b.flavours),
        ("channel", &a.channels, &b.channels),
    ] {
        for (key, after) in y {
            let before = x.get(key).copied().unwrap_or_default();
            if before.is_zero() && after.is_zero() {
                continue;
            }
            let _ = writeln!(
                out,
                "  {title} {} {} → {} {}",
                pad(key, 16),
                pad(&percent(before), 6),
                pad(&percent(*after), 6),
                bar(*after)
            );
        }
    }
    out.push_str("  Arithmetic after: weight = grams ÷ middle of the usual range (1 where either is unknown)\n");
    out.push_str(&arithmetic(m, b));
    out
}

fn arithmetic(m: &Materia, p: &Profile) -> String {
    let mut out = String::new();
    for l in &p.lines {
        let sum = match (l.grams, l.usual) {
            (Some(g), Some(u)) => format!("{} ÷ {}", g.decimal(2), u.decimal(2)),
            _ => "not known".into(),
        };
        let _ = writeln!(
            out,
            "    {} {} = {}  nature {:>2}  upward {:>2}",
            pad(&label(m, l.substance), 30),
            pad(&sum, 14),
            pad(&l.weight.decimal(2), 5),
            l.nature,
            l.upward
        );
    }
    let _ = writeln!(
        out,
        "    sum of weights {}; nature = Σ weight × nature ÷ {} = {}",
        p.total.decimal(2),
        p.total.decimal(2),
        p.nature.decimal(2)
    );
    out
}

pub fn family(s: &Session, f: &Family) -> String {
    let m = s.m();
    let mut out = String::new();
    const MOST: usize = 60;
    for x in f.members.iter().take(MOST) {
        let formula = m.formula(x.formula);
        let indent = "  ".repeat(x.generation as usize);
        let mark = if x.formula == f.formula { "▶ " } else { "" };
        let mut change = Vec::new();
        let names = |list: &[SubstanceIx]| list.iter().map(|x| label(m, *x)).collect::<Vec<_>>().join(", ");
        if x.parent.is_some() {
            if !x.added.is_empty() {
                change.push(format!("+ {}", names(&x.added)));
            }
            if !x.removed.is_empty() {
                change.push(format!("− {}", names(&x.removed)));
            }
            for (a, b) in &x.exchanged {
                change.push(format!("⇄ {} for {}", label(m, *b), label(m, *a)));
            }
            if change.is_empty() {
                change.push(if x.redosed.is_empty() {
                    "the same ingredients".into()
                } else {
                    format!("dose: {}", names(&x.redosed))
                });
            }
        } else {
            change.push(names(&x.added));
        }
        let also: Vec<String> = x.also_from.iter().map(|a| formula_label(m, *a)).collect();
        let also = if also.is_empty() { String::new() } else { format!("; also from {}", also.join(", ")) };
        let said = if x.stated { "; a source says so" } else { "" };
        hang(
            &format!("{mark}{} ({}{said}{also}): {}", formula_label(m, x.formula), formula.year, change.join("; ")),
            2 + indent.len(),
            6 + indent.len(),
            &mut out,
        );
    }
    if f.members.len() > MOST {
        let _ = writeln!(out, "  … and {} more; `--json` and the picture have all of them", f.members.len() - MOST);
    }
    out
}

pub fn blend(s: &Session, text: &str, b: &Blend) -> String {
    let m = s.m();
    let mut out = String::new();
    let _ = writeln!(out, "  │ {text}");
    for (share, name) in &b.terms {
        let share = if *share == Rational::from(-1) { "−".into() } else { share.to_string() };
        let _ = writeln!(out, "    {} {name}", pad(&share, 6));
    }
    out.push('\n');
    for l in &b.lines {
        let original: Vec<String> = l.original.iter().map(Amount::to_string).collect();
        let from: Vec<String> = l.from.iter().filter_map(|(_, a)| a.as_ref().map(ToString::to_string)).collect();
        let exact =
            l.grams.map_or(String::new(), |g| if g.is_whole() { String::new() } else { format!(" (exactly {g})") });
        let sum = if from.len() > 1 { format!("  = {}", from.join(" + ")) } else { String::new() };
        let _ = writeln!(
            out,
            "  {} {} {}{exact}{sum}",
            pad(&label(m, l.substance), 30),
            pad(&original.join(" and "), 22),
            pad(&grams(l.grams), 9)
        );
    }
    match b.era {
        Some(e) => {
            let _ = writeln!(out, "\n  Amounts in {} measures, exact; grams are the modern daily doses of the records, summed exactly.\n", era(e));
        }
        None => out.push_str("\n  The formulas are in measures of different eras, which are not added; grams are modern daily doses.\n\n"),
    }
    out
}

pub fn named(s: &Session, name: &str, means: &Resolution<SubstanceIx>) -> String {
    let m = s.m();
    let mut out = String::new();
    match means {
        Resolution::Known { substance, via, unrecorded_process, beside } => {
            let how = format!("{via:?}").to_lowercase();
            let _ = write!(
                out,
                "{name}: {} ({}), by its {how} name",
                label(m, *substance),
                m.substance(*substance).english
            );
            if let Some(p) = unrecorded_process {
                let _ = write!(out, "; {p} has no record of its own");
            }
            if !beside.is_empty() {
                let _ = write!(out, "; beside it: {}", beside.join(", "));
            }
            out.push('\n');
        }
        Resolution::Misspelt { substance, read_as, distance } => {
            let _ = writeln!(
                out,
                "{name}: read as {read_as}, {} ({distance} letters differ); look whether that is meant",
                label(m, *substance)
            );
        }
        Resolution::Ambiguous { candidates, tells, hazard } => {
            let list: Vec<String> = candidates.iter().map(|c| label(m, *c)).collect();
            wrap(&format!("{name}: may be {}. {tells}.", list.join(", ")), 0, &mut out);
            if !hazard.is_empty() {
                wrap(&format!("Mind: {hazard}."), 2, &mut out);
            }
        }
        Resolution::Unknown { nearest } => {
            let list: Vec<String> = nearest.iter().take(4).map(|n| label(m, n.target)).collect();
            let near =
                if list.is_empty() { "nothing is near".to_string() } else { format!("nearest: {}", list.join(", ")) };
            let _ = writeln!(out, "{name}: no name we hold; {near}");
        }
    }
    out
}

fn row(out: &mut String, key: &str, value: &str) {
    if !value.is_empty() {
        let mut text = String::new();
        wrap(value, 22, &mut text);
        let _ = write!(out, "  {}{}", pad(key, 20), text.trim_start());
    }
}

fn provenance(list: &[fangwright_materia::records::Provenance]) -> String {
    let lines: Vec<String> = list
        .iter()
        .map(|p| {
            let how = if p.how == How::Read { "read" } else { "from memory" };
            let at = if p.at.is_empty() { String::new() } else { format!(", {}", p.at) };
            let fields = if p.fields.is_empty() { String::new() } else { format!(" ({})", p.fields.join(", ")) };
            format!("{}{at}, {how}{fields}", p.source)
        })
        .collect();
    lines.join("; ")
}

pub fn substance(s: &Session, ix: SubstanceIx) -> String {
    let m = s.m();
    let x = m.substance(ix);
    let library = m.library();
    let mut out = String::new();
    let own = if x.place.own { "   [your own record]" } else { "" };
    let _ = writeln!(out, "{} · {} · {}{own}\n", x.hanzi, x.pinyin, x.english);
    row(&mut out, "traditional", &x.traditional);
    row(&mut out, "Latin", &x.latin);
    row(&mut out, "source", &format!("{}; {}; {} ({})", x.species.join(", "), x.family, x.part, x.kind));
    row(&mut out, "also called", &[x.old.as_slice(), &x.regional, &x.trade].concat().join(", "));
    row(
        &mut out,
        "shelf",
        &library.substance_shelves.get(&x.category).map_or(String::new(), |c| format!("{} {}", c.zh, c.en)),
    );
    let flavours: Vec<String> = x.flavours.iter().map(ToString::to_string).collect();
    let tendency: Vec<String> = x.tendency.iter().map(ToString::to_string).collect();
    row(&mut out, "nature, flavour", &format!("{}; {}", x.nature, flavours.join(", ")));
    row(&mut out, "tendency", &tendency.join(" and "));
    let channels: Vec<String> = x.channels.iter().map(ToString::to_string).collect();
    row(&mut out, "channels", &channels.join(", "));
    let actions: Vec<String> =
        x.actions.iter().filter_map(|a| library.actions.get(a)).map(|a| format!("{} {}", a.en, a.zh)).collect();
    row(&mut out, "actions", &actions.join(", "));
    let mut doses = Vec::new();
    for (form, range) in [("decoction", x.dose.decoction), ("powder", x.dose.powder), ("pill", x.dose.pill)] {
        doses.extend(range.map(|r| format!("{form} {r} a day")));
    }
    if x.dose.external {
        doses.push("for the outside".into());
    }
    row(&mut out, "dose", &doses.join("; "));
    row(
        &mut out,
        "toxicity",
        if x.toxicity.word() == "none" { "no grade stated (which is not \"safe\")" } else { x.toxicity.word() },
    );
    row(
        &mut out,
        "pregnancy",
        if x.pregnancy.word() == "not listed" { "not listed (which is not \"safe\")" } else { x.pregnancy.word() },
    );
    let pot: Vec<String> = x.pot.iter().map(ToString::to_string).collect();
    row(&mut out, "in the pot", &pot.join(", "));
    if let Some(parent) = x.parent.as_deref().and_then(|p| m.substance_by_id(p)) {
        let process = x.process.map_or("form", |p| p.word());
        row(&mut out, "made from", &format!("{} ({process})", label(m, parent)));
    }
    let forms: Vec<String> = m.processed_forms(ix).iter().map(|f| label(m, *f)).collect();
    row(&mut out, "processed forms", &forms.join(", "));
    row(&mut out, "note", x.note.as_deref().unwrap_or(""));
    row(&mut out, "rests on", &provenance(&x.provenance));
    row(&mut out, "second pass", x.review.map_or("not yet", |r| r.word()));
    row(&mut out, "record", &format!("{}:{}", x.place.file, x.place.line));
    out
}

pub fn formula(s: &Session, ix: FormulaIx) -> String {
    let m = s.m();
    let f = m.formula(ix);
    let library = m.library();
    let mut out = String::new();
    let own = if f.place.own { "   [your own record]" } else { "" };
    let _ = writeln!(out, "{} · {} · {}{own}\n", f.hanzi, f.pinyin, f.english);
    row(&mut out, "traditional", &f.traditional);
    row(&mut out, "also called", &f.aliases.join(", "));
    let book =
        library.sources.get(&f.source.source).map_or(f.source.source.clone(), |b| format!("{}, {}", b.title, b.author));
    let how = if f.source.how == How::Read { "read" } else { "from memory" };
    row(&mut out, "source", &format!("{book}, {} ({}), {how}", f.source.at, f.year));
    row(&mut out, "form", f.form.word());
    let patterns: Vec<String> =
        f.patterns.iter().filter_map(|p| library.patterns.get(p)).map(|p| format!("{} {}", p.en, p.zh)).collect();
    row(&mut out, "patterns", &patterns.join("; "));
    let actions: Vec<String> =
        f.actions.iter().filter_map(|a| library.actions.get(a)).map(|a| format!("{} {}", a.en, a.zh)).collect();
    row(&mut out, "actions", &actions.join(", "));
    row(&mut out, "findings", &f.findings.join(", "));
    row(&mut out, "tongue", &f.tongue.join(", "));
    row(&mut out, "pulse", &f.pulse.join(", "));
    row(&mut out, "cautions", &f.cautions.join("; "));
    out.push('\n');
    for i in &f.ingredients {
        let Some(x) = m.substance_by_id(&i.substance) else { continue };
        let amount = i.amount.as_ref().map_or(String::new(), Amount::to_string);
        let by_convention = i
            .amount
            .as_ref()
            .and_then(|a| s.conventions.weigh(m, x, a, f.measures).ok())
            .map_or(String::new(), |g| format!("≈ {} g", g.decimal(1)));
        let _ = writeln!(
            out,
            "  {} {} {} {} {} {}",
            pad(&label(m, x), 30),
            pad(i.role.word(), 10),
            pad(&amount, 18),
            pad(&by_convention, 11),
            pad(&grams(i.grams), 9),
            i.prep
        );
    }
    if let Some(c) = s.conventions.of(f.measures) {
        let _ = writeln!(
            out,
            "\n  Amounts of the book ({}); ≈ by {}: {}; then the modern daily dose.",
            era(f.measures),
            c.id,
            c.name
        );
    }
    if let Some(c) = &f.change {
        let minus = if c.remove.is_empty() { String::new() } else { format!(" − {}", c.remove.join(", ")) };
        let plus = if c.add.is_empty() { String::new() } else { format!(" + {}", c.add.join(", ")) };
        row(&mut out, "defined as", &format!("{}{plus}{minus} ({})", c.from.join(" + "), c.said));
    }
    row(&mut out, "second pass", f.review.map_or("not yet", |r| r.word()));
    row(&mut out, "record", &format!("{}:{}", f.place.file, f.place.line));
    out
}

pub fn conventions(s: &Session) -> String {
    let mut out = String::new();
    for c in &s.m().library().conventions {
        let used = if s.conventions.of(c.era).is_some_and(|u| u.id == c.id) { "in force" } else { "" };
        let _ = writeln!(out, "{} {} {} ({}, {})", pad(&c.id, 14), pad(used, 9), c.name, c.source, c.how);
    }
    out
}

pub fn weights(_: &Session, amount: &Amount, of: Option<String>, list: &[Weighed]) -> String {
    let mut out = String::new();
    let of = of.map_or(String::new(), |o| format!(" of {o}"));
    let _ = writeln!(out, "{amount}{of}:");
    for w in list {
        let value = match (&w.grams, &w.problem) {
            (Some(g), _) => {
                format!("{} g{}", g.decimal(3), if g.is_whole() { String::new() } else { format!("  (exactly {g})") })
            }
            (None, Some(p)) => format!("—  {p}"),
            (None, None) => "—".into(),
        };
        let _ = writeln!(out, "  {} {}", pad(&w.convention.id, 14), value);
    }
    out
}

pub fn holdings(kinds: &[Holding]) -> String {
    let mut out = String::new();
    let _ = writeln!(out, "{} records   own   on a source   on memory   second pass   mended in it", pad("", 30));
    for k in kinds {
        let _ = writeln!(
            out,
            "{} {:>7} {:>5} {:>13} {:>11} {:>13} {:>14}",
            pad(&k.kind, 30),
            k.records,
            k.own,
            k.on_source,
            k.on_memory,
            k.second_pass,
            k.mended
        );
    }
    out
}
