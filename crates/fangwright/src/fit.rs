//! `differentiate` and `modify`: from what is found to patterns and formulas, and the best change for this patient.

use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};

use clap::Args;
use fangwright_amount::Rational;
use fangwright_formula::{Mix, Tracer, formula_label, label};
use fangwright_materia::records::Role;
use fangwright_materia::{FormulaIx, Materia, Resolution, SubstanceIx};
use fangwright_pattern::{
    BaseItem, Customs, Demand, Fate, Judge, Judgement, Modified, Presentation, Raised, Terms, Tie, Wish, modify,
    red_flags,
};
use fangwright_safety::{Facts, Patient, Rulebook};

use crate::cautions;
use crate::check::{PatientArgs, text_of};
use crate::output::{DifferentiateAnswer, ModifyAnswer};
use crate::render::{hang, heading, pad, wrap};
use crate::run::{Failure, Session, mix_of, out};

#[derive(Args)]
pub struct DifferentiateArgs {
    /// What is found, as words: symptoms, tongue, pulse, in English or Chinese; `no fever` says that there is none.
    words: Vec<String>,
    /// A file with the same.
    #[arg(long, short, value_name = "FILE")]
    file: Option<PathBuf>,
    /// Findings that were asked for and are not there; may be given more than once.
    #[arg(long = "no", value_name = "FINDING")]
    absent: Vec<String>,
    /// Findings that were asked for and nobody can say; may be given more than once.
    #[arg(long, value_name = "FINDING")]
    unknown: Vec<String>,
    /// adult, child or pregnant: red flags for others are left out.
    #[arg(long, value_name = "WHO")]
    who: Vec<String>,
}

#[derive(Args)]
pub struct ModifyArgs {
    /// The base: a formula's name, a prescription as text, or `@FILE`. Without it the best formula for the findings.
    base: Option<String>,
    /// Pattern it has to fit; may be given more than once.
    #[arg(long = "for", value_name = "PATTERN")]
    patterns: Vec<String>,
    /// A further action that is needed (an id of vocabulary/actions.toml); may be given more than once.
    #[arg(long = "need", value_name = "ACTION")]
    needs: Vec<String>,
    /// What is found; the leading patterns are then taken as well.
    #[arg(long, value_name = "TEXT")]
    findings: Option<String>,
    /// Stays in; may be given more than once.
    #[arg(long, value_name = "NAME")]
    keep: Vec<String>,
    /// Not wanted; may be given more than once.
    #[arg(long, value_name = "NAME")]
    without: Vec<String>,
    /// Most ingredients.
    #[arg(long, value_name = "N")]
    most_ingredients: Option<u32>,
    /// Most grams a day.
    #[arg(long, value_name = "GRAMS")]
    most_grams: Option<String>,
    /// Names in stock, one a line, with a price a gram behind it where there is one.
    #[arg(long, value_name = "FILE")]
    stock: Option<PathBuf>,
    /// Most of that price a day.
    #[arg(long, value_name = "PRICE")]
    most_price: Option<String>,
    /// How many proposals.
    #[arg(long, default_value_t = 5)]
    proposals: usize,
    /// How it is taken.
    #[arg(long)]
    form: Option<String>,
    /// For how many days.
    #[arg(long)]
    days: Option<u32>,
    #[command(flatten)]
    patient: PatientArgs,
}

fn end(text: &mut String) {
    text.push('\n');
    wrap(cautions::CHECK, 0, text);
}

fn finding_name(m: &Materia, id: &str) -> String {
    m.library().findings.get(id).map_or_else(|| id.to_string(), |f| format!("{} {}", f.en, f.zh))
}

fn pattern_name(m: &Materia, id: &str) -> String {
    m.library().patterns.get(id).map_or_else(|| id.to_string(), |p| format!("{} {}", p.en, p.zh))
}

fn action_name(m: &Materia, id: &str) -> String {
    m.library().actions.get(id).map_or_else(|| id.to_string(), |a| format!("{} {}", a.en, a.zh))
}

/// Reads findings and judges them.
pub fn judged(
    m: &Materia,
    text: &str,
    absent: &[String],
    unknown: &[String],
) -> Result<(Judgement, Vec<String>), Failure> {
    let terms = Terms::new(m);
    let judge = Judge::new(m, &terms);
    let noted = terms.read(m, text);
    let mut p = Presentation::of(&noted);
    let mut unread = noted.unread.clone();
    for (list, into) in [(absent, &mut p.absent), (unknown, &mut p.unknown)] {
        for word in list {
            match terms.by_id(word).or_else(|| terms.exact(m, word)) {
                Some(f) => into.push(f),
                None => {
                    let more = terms.read(m, word);
                    into.extend(more.present.iter().map(|x| x.0));
                    unread.extend(more.unread);
                }
            }
        }
    }
    if p.present.is_empty() && p.absent.is_empty() {
        return Err(
            "no finding was read; write symptoms, tongue and pulse as words, such as `fever, no sweat, floating pulse`"
                .to_string()
                .into(),
        );
    }
    let present: Vec<String> = p.present.iter().map(|f| terms.id(*f).to_string()).collect();
    Ok((judge.judge(&terms, &p, unread), present))
}

pub fn differentiate(s: &Session, args: &DifferentiateArgs) -> Result<bool, Failure> {
    let m = s.m();
    for who in &args.who {
        if !matches!(who.as_str(), "adult" | "child" | "pregnant") {
            return Err(format!("`{who}` is nobody; write adult, child or pregnant").into());
        }
    }
    let text = match &args.file {
        Some(path) => text_of(path)?,
        None => args.words.join(" "),
    };
    let who: Vec<&str> = args.who.iter().map(String::as_str).collect();
    let flags = red_flags(m, &text, &who);
    let (judgement, present) = match judged(m, &text, &args.absent, &args.unknown) {
        Ok(found) => found,
        // Somebody has to be referred even where nothing else was understood.
        Err(failure) if flags.is_empty() => return Err(failure),
        Err(_) => (Judgement::default(), Vec::new()),
    };
    let good = judgement.unread.is_empty() && judgement.contradictions.is_empty();
    if s.json {
        s.print("differentiate", DifferentiateAnswer { input: text, flags, present, judgement });
    } else {
        out(&judgement_text(m, &flags, &present, &judgement));
    }
    Ok(good)
}

fn flags_text(flags: &[Raised], text: &mut String) {
    for raised in flags {
        let f = &raised.flag;
        hang(&format!("REFER {}  {} {}", f.urgency.word().to_uppercase(), f.en, f.zh), 0, 4, text);
        hang(&format!("said: {}", raised.by.join("; ")), 4, 6, text);
        hang(&format!("why: {}", f.why), 4, 6, text);
        hang(&format!("do:  {}", f.action), 4, 6, text);
    }
    if !flags.is_empty() {
        text.push('\n');
    }
}

/// A judgement as text.
pub fn judgement_text(m: &Materia, flags: &[Raised], present: &[String], j: &Judgement) -> String {
    let mut text = String::new();
    flags_text(flags, &mut text);
    if flags.is_empty() {
        hang(crate::cautions::FLAGS, 0, 0, &mut text);
        text.push('\n');
    }
    let names: Vec<String> = present.iter().map(|f| finding_name(m, f)).collect();
    hang(&format!("Read: {}.", names.join(", ")), 0, 2, &mut text);
    for u in &j.unread {
        let near = u.nearest.as_ref().map_or(String::new(), |n| format!("; did you mean {}?", finding_name(m, n)));
        hang(&format!("Not read: `{}`{near}", u.text), 0, 2, &mut text);
    }
    for c in &j.contradictions {
        let line = if c.one == c.other {
            format!("Contradiction: {} is said to be there and not to be there.", finding_name(m, &c.one))
        } else {
            format!("Contradiction: {} and {} cannot both be.", finding_name(m, &c.one), finding_name(m, &c.other))
        };
        hang(&line, 0, 2, &mut text);
    }
    text.push_str(&heading("Patterns that explain it together (points are a teaching aid)"));
    for t in j.together.iter().take(4) {
        let names: Vec<String> = t.patterns.iter().map(|p| pattern_name(m, p)).collect();
        hang(&format!("{:>4}  {}", t.points, names.join(" + ")), 2, 8, &mut text);
        if let Some((root, branch)) = &t.root {
            hang(&format!("root: {}; branch: {}", pattern_name(m, root), pattern_name(m, branch)), 8, 10, &mut text);
        }
        if !t.unexplained.is_empty() {
            let left: Vec<String> = t.unexplained.iter().map(|f| finding_name(m, f)).collect();
            hang(&format!("unexplained: {}", left.join(", ")), 8, 10, &mut text);
        }
        for (f, p) in &t.against {
            hang(&format!("{} speaks against {}", finding_name(m, f), pattern_name(m, p)), 8, 10, &mut text);
        }
    }
    text.push_str(&heading("Single patterns"));
    for r in j.patterns.iter().take(6) {
        hang(&format!("{:>4}  {}  [{}]", r.points, pattern_name(m, &r.pattern), r.pattern), 2, 8, &mut text);
        let lines: Vec<String> = r
            .lines
            .iter()
            .map(|l| {
                let tie = match l.tie {
                    Tie::Cardinal => "cardinal",
                    Tie::Usual => "usual",
                    Tie::Possible => "possible",
                    Tie::Contrary => "contrary",
                };
                let not = if l.present { "" } else { "not there: " };
                format!("{:+} {not}{} ({tie})", l.points, finding_name(m, &l.finding))
            })
            .collect();
        hang(&lines.join(", "), 8, 8, &mut text);
        if !r.open.is_empty() {
            let open: Vec<String> = r.open.iter().map(|f| finding_name(m, f)).collect();
            hang(&format!("not asked yet: {}", open.join(", ")), 8, 10, &mut text);
        }
    }
    text.push_str(&heading("Formulas"));
    for f in j.formulas.iter().take(8) {
        let matched: Vec<String> = f.matched.iter().map(|x| finding_name(m, x)).collect();
        let by = f.pattern.as_ref().map_or(String::new(), |p| format!("; for {}", pattern_name(m, p)));
        hang(&format!("{:>4}  {}: {}{by}", f.points, formula_label(m, f.formula), matched.join(", ")), 2, 8, &mut text);
    }
    if !j.questions.is_empty() {
        text.push_str(&heading("Ask next"));
        for q in j.questions.iter().take(3) {
            let line = format!(
                "{}? ({}.{:02} bits) yes: {}; no: {}",
                finding_name(m, &q.finding),
                q.worth / 100,
                q.worth % 100,
                pattern_name(m, &q.if_yes),
                pattern_name(m, &q.if_no)
            );
            hang(&line, 2, 4, &mut text);
        }
    }
    end(&mut text);
    text
}

fn substance(m: &Materia, name: &str) -> Result<SubstanceIx, Failure> {
    match m.resolve(name) {
        Resolution::Known { substance, .. } => Ok(substance),
        _ => Err(format!("`{name}` is no substance we hold; `fangwright name '{name}'` says more").into()),
    }
}

/// Names in stock with their prices: a name a line, a price behind it where there is one.
fn stock(m: &Materia, path: &Path) -> Result<(BTreeSet<SubstanceIx>, BTreeMap<SubstanceIx, u32>), Failure> {
    let (mut held, mut prices) = (BTreeSet::new(), BTreeMap::new());
    for (number, line) in (1..).zip(text_of(path)?.lines()) {
        let line = line.trim();
        if line.is_empty() || line.starts_with('#') {
            continue;
        }
        let (name, price) = match line.rsplit_once([' ', '\t', ',']) {
            Some((name, price)) if price.parse::<Rational>().is_ok() => (name.trim(), price.parse().ok()),
            _ => (line, None),
        };
        let s = substance(m, name).map_err(|f| Failure::from(format!("{}:{number}: {}", path.display(), f.message)))?;
        held.insert(s);
        if let Some(price) = price.and_then(hundredths) {
            prices.insert(s, price);
        }
    }
    Ok((held, prices))
}

fn hundredths(price: Rational) -> Option<u32> {
    u32::try_from(price.times(Rational::from(100))?.round()).ok()
}

/// Ingredients of the base with their offices.
pub fn base_of(m: &Materia, mix: &Mix) -> Vec<BaseItem> {
    mix.parts
        .iter()
        .enumerate()
        .map(|(i, p)| BaseItem {
            substance: p.substance,
            grams: p.grams.or_else(|| m.substance(p.substance).dose.usual()?.middle()),
            // Of a prescription nobody said the offices: the first stands as chief.
            role: p.role.unwrap_or(if i == 0 { Role::Chief } else { Role::Assistant }),
        })
        .collect()
}

pub fn modify_command(s: &Session, args: ModifyArgs) -> Result<bool, Failure> {
    let m = s.m();
    let book = Rulebook::new(m);
    let patient: Patient = args.patient.patient()?;
    let facts = Facts::new(&book, &patient).map_err(|e| e.to_string())?;
    let mut patterns = args.patterns.clone();
    let mut proposed: Option<FormulaIx> = None;
    let mut flags = Vec::new();
    if let Some(text) = &args.findings {
        flags = red_flags(m, text, &[]);
        let (judgement, _) = judged(m, text, &[], &[])?;
        if let Some(best) = judgement.together.first() {
            for p in &best.patterns {
                if !patterns.contains(p) {
                    patterns.push(p.clone());
                }
            }
        }
        proposed = judgement.formulas.first().map(|f| f.formula);
    }
    let (mix, good) = match (&args.base, proposed) {
        (Some(base), _) => mix_of(s, base)?,
        (None, Some(ix)) => (Mix::of_formula(m, ix), true),
        (None, None) => return Err("there is no base; name a formula, or give --findings".to_string().into()),
    };
    let list = |names: &[String]| names.iter().map(|n| substance(m, n)).collect::<Result<Vec<_>, _>>();
    let (held, prices) = match &args.stock {
        None => (None, BTreeMap::new()),
        Some(path) => stock(m, path).map(|(held, prices)| (Some(held), prices))?,
    };
    let number = |text: &Option<String>| match text {
        None => Ok(None),
        Some(t) => t.parse::<Rational>().map(Some).map_err(|e| Failure::from(e.to_string())),
    };
    let form = crate::check::form_of(args.form.as_deref())?;
    let wish = Wish {
        base: base_of(m, &mix),
        patterns,
        needs: args.needs.clone(),
        keep: list(&args.keep)?,
        dislikes: list(&args.without)?,
        most_ingredients: args.most_ingredients,
        most_grams: number(&args.most_grams)?,
        stock: held,
        prices,
        most_price: number(&args.most_price)?.and_then(hundredths),
        form,
        days: args.days,
    };
    let customs = Customs::new(m);
    let modified = modify(m, &book, &customs, &facts, &wish, args.proposals.clamp(1, 10)).map_err(|e| e.to_string())?;
    let found = !modified.proposals.is_empty();
    let base = mix.formula;
    if s.json {
        s.print("modify", ModifyAnswer { base, patterns: wish.patterns, flags, modified });
    } else {
        out(&modified_text(m, base, &wish, &flags, &modified));
    }
    Ok(good && found)
}

fn demand_text(m: &Materia, d: &Demand) -> String {
    match d {
        Demand::Need { action } => format!("cover: {}", action_name(m, action)),
        Demand::Nature { wanted } => {
            format!("nature on the {} side", if wanted.word() == "hot" { "warming" } else { "cooling" })
        }
        Demand::Movement { wanted } => format!("movement not against {wanted}"),
        Demand::Keep { substance } => format!("keep {}", label(m, *substance)),
        Demand::Ingredients { most } => format!("at most {most} ingredients"),
        Demand::Weight { most } => format!("at most {} g a day", most.decimal(1)),
        Demand::Price { most } => format!("at most {}.{:02} a day", most / 100, most % 100),
        Demand::Pair { rule } | Demand::Together { rule } => format!("safety rule {rule}"),
    }
}

/// Proposals as text.
pub fn modified_text(m: &Materia, base: Option<FormulaIx>, wish: &Wish, flags: &[Raised], r: &Modified) -> String {
    let mut text = String::new();
    flags_text(flags, &mut text);
    if let Some(base) = base {
        hang(&format!("Base: {}", formula_label(m, base)), 0, 2, &mut text);
    }
    for p in &wish.patterns {
        hang(&format!("For: {}", pattern_name(m, p)), 0, 2, &mut text);
    }
    hang(&format!("{} substances considered.", r.considered), 0, 2, &mut text);
    if r.proposals.is_empty() {
        text.push_str(&heading("Nothing satisfies all that is asked for. These cannot hold together"));
        for d in &r.conflict {
            hang(&format!("· {}", demand_text(m, d)), 2, 4, &mut text);
        }
        if r.conflict.is_empty() {
            wrap("The search did not end in time; ask for less.", 2, &mut text);
        }
        text.push_str(&heading("Would serve, and are not to be had"));
        for x in r.rejected.iter().take(12) {
            hang(&format!("· {}: {}", label(m, x.substance), x.why), 2, 4, &mut text);
        }
        end(&mut text);
        return text;
    }
    let tracer = Tracer::new(m);
    for (i, p) in (1..).zip(&r.proposals) {
        text.push_str(&heading(&format!("Proposal {i}, cost {}", p.cost)));
        for l in &p.lines {
            let mark = match l.fate {
                Fate::Kept => " ",
                Fate::Redosed => "~",
                Fate::Added => "+",
                Fate::Removed => "-",
            };
            let grams = l.grams.map_or(String::new(), |g| format!("{} g", g.decimal(1)));
            let line = format!("{mark} {} {} {:>4}", pad(&label(m, l.substance), 28), pad(&grams, 8), l.cost);
            hang(&format!("{line}  {}", l.why.join("; ")), 2, 46, &mut text);
        }
        let covered: Vec<String> = p
            .covered
            .iter()
            .map(|(n, by)| {
                let names: Vec<String> = by.iter().map(|s| m.substance(*s).pinyin.clone()).collect();
                format!("{} by {}", action_name(m, n), names.join(", "))
            })
            .collect();
        hang(&format!("covered: {}", covered.join("; ")), 2, 4, &mut text);
        let here: Vec<&fangwright_pattern::Line> = p.lines.iter().filter(|l| l.fate != Fate::Removed).collect();
        let set: Vec<SubstanceIx> = here.iter().map(|l| l.substance).collect();
        let grams: Vec<Option<Rational>> = here.iter().map(|l| l.grams).collect();
        if let Some(best) = tracer.trace(m, &set, &grams, |_| true).ok().and_then(|t| t.best.into_iter().next()) {
            let names: Vec<String> = best.bases.iter().map(|b| formula_label(m, b.formula)).collect();
            if !names.is_empty() {
                hang(&format!("nearest known: {}", names.join(" + ")), 2, 4, &mut text);
            }
        }
    }
    let proof = if r.proven {
        "Each is proven to cost least of all that differ from those before it."
    } else {
        "The search ended before the proof."
    };
    text.push('\n');
    wrap(proof, 0, &mut text);
    let w = &r.weights;
    wrap(
        &format!(
            "Cost, a weighing of our own (modifying.toml): {} each that comes in, less up to {} where it is customary; taken out: chief {}, deputy {}, assistant {}, envoy {}; another dose {}; moves the wrong way {}, wrong side by nature {}, does harm here {}, caution with this patient {}.",
            w.add,
            w.customary,
            w.remove_chief,
            w.remove_deputy,
            w.remove_assistant,
            w.remove_envoy,
            w.redose,
            w.against_movement,
            w.against_nature,
            w.unwanted_action,
            w.caution
        ),
        0,
        &mut text,
    );
    if !r.rejected.is_empty() {
        text.push_str(&heading("Would serve, and were left out"));
        for x in r.rejected.iter().take(10) {
            hang(&format!("· {}: {}", label(m, x.substance), x.why), 2, 4, &mut text);
        }
        if r.rejected.len() > 10 {
            hang(&format!("and {} more; --json has them all", r.rejected.len() - 10), 2, 4, &mut text);
        }
    }
    end(&mut text);
    text
}
