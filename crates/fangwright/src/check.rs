//! `check` and `rules`.

use std::path::PathBuf;

use clap::Args;
use fangwright_amount::Rational;
use fangwright_dispense::in_its_place;
use fangwright_formula::{label, read};
use fangwright_materia::records::{Form, Rule, RuleKind, Severity, Test};
use fangwright_materia::{Materia, Resolution, SubstanceIx};
use fangwright_safety::{
    Case, CaseInput, Exact, Facts, Finding, Line, Names, Override, Patient, Portion, Report, Rulebook,
};

use crate::output::{CheckAnswer, RuleShown, RulesAnswer};
use crate::render::{hang, heading, pad, wrap};
use crate::run::{Failure, Session, file, formula, out, read_input};
use crate::{Input, batch, cautions};

/// A case: a prescription, a patient, and what was set aside.
#[derive(Args)]
pub struct CaseArgs {
    #[command(flatten)]
    input: Input,
    /// A formula of the collection, at its usual dose.
    #[arg(long, value_name = "NAME")]
    formula: Option<String>,
    /// The whole case as JSON, such as an earlier `--json` answer's `case`.
    #[arg(long, value_name = "FILE")]
    case: Option<PathBuf>,
    /// For how many days it is taken.
    #[arg(long)]
    days: Option<u32>,
    /// Pattern the prescription is written for; may be given more than once.
    #[arg(long = "for", value_name = "PATTERN")]
    patterns: Vec<String>,
    #[command(flatten)]
    patient: PatientArgs,
    /// Set a finding aside: its key, `=` and the reason. May be given more than once.
    #[arg(long = "override", value_name = "KEY=REASON")]
    overrides: Vec<String>,
    /// The second confirmation that an override of the deadly class needs: the key again.
    #[arg(long, value_name = "KEY")]
    confirm: Vec<String>,
    /// Who sets aside.
    #[arg(long, value_name = "NAME")]
    by: Option<String>,
    /// Put another substance in the place of one, where the data allows it: `Dang Shen=Ren Shen`. It is checked like that.
    #[arg(long, value_name = "NAME=NAME")]
    substitute: Vec<String>,
}

#[derive(Args)]
pub struct CheckArgs {
    #[command(flatten)]
    case: CaseArgs,
    /// decoction (default), powder, draft, pill, paste, wine, granules or external.
    #[arg(long)]
    form: Option<String>,
    /// For granules: grams of raw drug in one gram, such as 5.
    #[arg(long, value_name = "NUMBER")]
    granule_ratio: Option<String>,
    /// Check a file of prescriptions: JSON lines, or Parquet.
    #[arg(long, value_name = "FILE")]
    batch: Option<PathBuf>,
    /// With --batch: write one line of JSON a prescription.
    #[arg(long, value_name = "FILE", requires = "batch")]
    out: Option<PathBuf>,
    /// With --batch: how many threads (default: all cores).
    #[arg(long, value_name = "N", requires = "batch")]
    threads: Option<usize>,
    /// Only rules of this topic; may be given more than once. What is left out is not checked.
    #[arg(long, value_name = "TOPIC")]
    topic: Vec<String>,
}

/// What is known of the patient.
#[derive(Args)]
pub struct PatientArgs {
    /// What is known of the patient, as JSON (`schema check` shows the shape).
    #[arg(long, value_name = "FILE")]
    patient: Option<PathBuf>,
    /// `34`, `8 months`, `3 weeks`.
    #[arg(long)]
    age: Option<String>,
    /// female or male.
    #[arg(long)]
    sex: Option<String>,
    /// Kilograms.
    #[arg(long, value_name = "KG")]
    weight: Option<String>,
    /// Centimetres.
    #[arg(long, value_name = "CM")]
    height: Option<String>,
    /// yes or no.
    #[arg(long, value_name = "YES|NO", num_args = 0..=1, default_missing_value = "yes")]
    pregnant: Option<String>,
    /// yes or no.
    #[arg(long, value_name = "YES|NO", num_args = 0..=1, default_missing_value = "yes")]
    breast_feeding: Option<String>,
    /// A disease or state; may be given more than once.
    #[arg(long, value_name = "WORD")]
    condition: Vec<String>,
    /// No disease or state but those given.
    #[arg(long)]
    no_other_conditions: bool,
    /// A medicine by generic name or class; may be given more than once.
    #[arg(long, value_name = "NAME")]
    medicine: Vec<String>,
    /// No medicine but those given.
    #[arg(long)]
    no_other_medicines: bool,
    /// An allergy; may be given more than once.
    #[arg(long, value_name = "WORD")]
    allergy: Vec<String>,
    /// No allergy but those given.
    #[arg(long)]
    no_other_allergies: bool,
    /// A diet or belief; may be given more than once.
    #[arg(long, value_name = "WORD")]
    diet: Vec<String>,
    /// Days until an operation.
    #[arg(long, value_name = "DAYS")]
    surgery_in: Option<u32>,
    /// No operation is planned.
    #[arg(long)]
    no_surgery: bool,
    /// Competes under anti-doping rules.
    #[arg(long)]
    athlete: bool,
    /// Whose law holds: us, eu, uk, cn … may be given more than once.
    #[arg(long, value_name = "ID")]
    law: Vec<String>,
    /// How a child's share is reckoned: surface, clark, young or ages.
    #[arg(long, value_name = "RULE")]
    child_rule: Option<String>,
}

#[derive(Args)]
pub struct RulesArgs {
    /// Words to look for, or the id of one rule, which is then explained.
    words: Vec<String>,
    /// Only rules that speak of this substance.
    #[arg(long, value_name = "NAME")]
    of: Option<String>,
    /// pair, present, patient, medicine, duration, law, total, pot, dose, child, double, whole, unchecked.
    #[arg(long)]
    kind: Option<String>,
    /// deadly, grave, caution, note, not checked.
    #[arg(long)]
    severity: Option<String>,
    /// Topic.
    #[arg(long)]
    topic: Option<String>,
    /// Only the clinic's own.
    #[arg(long)]
    own: bool,
}

fn yes_no(text: Option<&String>, option: &str) -> Result<Option<bool>, Failure> {
    match text.map(String::as_str) {
        None => Ok(None),
        Some("yes" | "y" | "true") => Ok(Some(true)),
        Some("no" | "n" | "false") => Ok(Some(false)),
        Some(other) => {
            Err(format!("`{other}` is neither yes nor no; write `--{option} yes` or `--{option} no`").into())
        }
    }
}

pub fn number(text: Option<&String>) -> Result<Option<Exact>, Failure> {
    match text {
        None => Ok(None),
        Some(t) => t.parse::<Rational>().map(|n| Some(Exact(n))).map_err(|e| e.to_string().into()),
    }
}

/// A list is known only where something is given, or it is said that there is no more.
fn add(list: &mut Option<Vec<String>>, more: Vec<String>, whole: bool) {
    if !more.is_empty() || whole {
        list.get_or_insert_default().extend(more);
    }
}

pub fn json<'a, T: serde::Deserialize<'a>>(text: &'a str, name: &str) -> Result<T, Failure> {
    serde_json::from_str(text).map_err(|e| {
        format!("{name}:{}:{}: {e}; `fangwright schema check` shows the shape", e.line(), e.column()).into()
    })
}

/// The text of a file.
pub fn text_of(path: &std::path::Path) -> Result<String, Failure> {
    String::from_utf8(file(path)?).map_err(|_| format!("{} is not UTF-8 text", path.display()).into())
}

impl PatientArgs {
    /// What the options say.
    pub fn patient(&self) -> Result<Patient, Failure> {
        self.over(Patient::default())
    }

    /// What the options say, over what was given before.
    fn over(&self, given: Patient) -> Result<Patient, Failure> {
        let mut p = given;
        if let Some(path) = &self.patient {
            p = json(&text_of(path)?, &path.display().to_string())?;
        }
        p.age = self.age.clone().or(p.age);
        p.sex = self.sex.clone().or(p.sex);
        p.weight_kg = number(self.weight.as_ref())?.or(p.weight_kg);
        p.height_cm = number(self.height.as_ref())?.or(p.height_cm);
        p.pregnant = yes_no(self.pregnant.as_ref(), "pregnant")?.or(p.pregnant);
        p.breast_feeding = yes_no(self.breast_feeding.as_ref(), "breast-feeding")?.or(p.breast_feeding);
        // One condition does not say that there is no other; the list is whole only when it is said to be.
        p.also.extend(self.condition.iter().cloned());
        add(&mut p.conditions, Vec::new(), self.no_other_conditions);
        add(&mut p.medicines, self.medicine.clone(), self.no_other_medicines);
        add(&mut p.allergies, self.allergy.clone(), self.no_other_allergies);
        add(&mut p.diets, self.diet.clone(), false);
        p.surgery_in_days = self.surgery_in.or(p.surgery_in_days);
        p.no_surgery |= self.no_surgery;
        if self.athlete {
            p.athlete = Some(true);
        }
        p.laws.extend(self.law.iter().cloned());
        p.child_rule = self.child_rule.clone().or(p.child_rule);
        Ok(p)
    }
}

/// The rulebook in force, or the part of it that is asked for.
pub fn book(m: &Materia, topics: &[String]) -> Result<Rulebook, Failure> {
    let all = &m.library().safety.rules;
    for topic in topics {
        if !all.iter().any(|r| r.topic == *topic) {
            return Err(format!("no rule has the topic `{topic}`; `fangwright rules` lists them").into());
        }
    }
    Ok(Rulebook::of(m, |r| topics.is_empty() || topics.contains(&r.topic)))
}

/// A case that was read and checked.
pub struct Checked {
    /// What was checked.
    pub case: Case,
    /// The same, as it can be given back.
    pub input: CaseInput<'static>,
    /// What was found.
    pub report: Report,
    /// What the patient comes to.
    pub facts: Facts,
    /// What is printed before the report.
    pub shown: String,
    /// Whether everything was understood.
    pub good: bool,
}

/// Reads a case and checks it, in a form.
pub fn checked(
    s: &Session,
    book: &Rulebook,
    args: CaseArgs,
    form: Option<Form>,
    granule_ratio: Option<Exact>,
) -> Result<Checked, Failure> {
    let m = s.m();
    let mut input: CaseInput<'static> = match &args.case {
        Some(path) => {
            let held = text_of(path)?;
            let value: serde_json::Value = json(&held, &path.display().to_string())?;
            // A whole answer of `check --json` may be given back as it is.
            let inner = value.pointer("/result/case").or_else(|| value.get("case")).map(ToString::to_string);
            json::<CaseInput<'_>>(inner.as_ref().unwrap_or(&held), &path.display().to_string())?.into_owned()
        }
        None => CaseInput::default(),
    };
    input.form = form.or(input.form);
    input.granule_ratio = granule_ratio.or(input.granule_ratio);
    input.days = args.days.or(input.days);
    let mut patient = args.patient.over(input.patient.take().unwrap_or_default())?;
    patient.patterns.extend(args.patterns.iter().cloned());
    for given in &args.overrides {
        let (key, reason) =
            given.split_once('=').ok_or_else(|| format!("`{given}` has no reason; write KEY=REASON"))?;
        input.overrides.retain(|o| o.finding != key);
        input.overrides.push(Override {
            finding: key.into(),
            reason: reason.trim().into(),
            by: args.by.clone(),
            at: None,
            confirmed: false,
        });
    }
    for key in &args.confirm {
        match input.overrides.iter_mut().find(|o| o.finding == *key) {
            Some(o) => o.confirmed = true,
            None => {
                return Err(format!("`{key}` is confirmed but not overridden; add --override '{key}=REASON'").into());
            }
        }
    }
    let mut good = true;
    let mut case = Case::default();
    let mut shown = String::new();
    if let Some(name) = &args.formula {
        let ix = formula(s, name)?;
        let form = input.form.or(Some(m.formula(ix).form));
        case = Case::of_formula(m, ix);
        shown = format!("{} at its usual dose", fangwright_formula::formula_label(m, ix));
        input.form = form;
        input.items = case
            .portions
            .iter()
            .map(|p| {
                let record = m.substance(p.substance);
                let name = record.hanzi.clone().into();
                Line { name, substance: Some(record.id.clone()), grams: p.grams.map(Exact), pot: record.pot.clone() }
            })
            .collect();
    } else if args.case.is_some() && input.as_lines().map_err(|e| e.to_string())? {
        Names::default().fill(m, &input, &mut case).map_err(|e| e.to_string())?;
        case.written = input.items.iter().map(|i| (i.name.to_string(), None)).collect();
        good = case.unread.is_empty();
    } else {
        let (text, rx) = match &input.prescription {
            Some(text) => (text.to_string(), read(m, text)),
            None => read_input(s, &args.input)?,
        };
        let serious: Vec<_> =
            rx.diagnostics.iter().filter(|d| d.weight != fangwright_formula::Weight::Note).cloned().collect();
        if s.json {
            eprint!("{}", crate::render::diagnostics(&text, &serious));
        } else {
            shown = crate::render::prescription(s, &text, &rx);
            shown.push_str(&crate::render::diagnostics(&text, &serious));
        }
        good = !rx.has_errors();
        case = Case::of_prescription(m, &rx, &s.conventions);
        input.prescription = Some(text.into());
    }
    for given in &args.substitute {
        let said = substitute(m, &mut case, given)?;
        shown.push_str(&format!("  {said}\n"));
    }
    case.form = input.form;
    case.ratio = input.granule_ratio.map(|r| r.0);
    case.days = input.days.or(case.days);
    let facts = Facts::new(book, &patient).map_err(|e| e.to_string())?;
    let report = book.check(m, &case, &facts, &input.overrides);
    input.days = case.days;
    input.patient = Some(patient);
    Ok(Checked { case, input, report, facts, shown, good })
}

pub fn run(s: &Session, args: CheckArgs) -> Result<i32, Failure> {
    let m = s.m();
    let book = book(m, &args.topic)?;
    if let Some(path) = &args.batch {
        return batch::run(s, &book, path, args.out.as_deref(), args.threads);
    }
    let form = form_of(args.form.as_deref())?;
    let ratio = number(args.granule_ratio.as_ref())?;
    let Checked { input, report, shown, good, .. } = checked(s, &book, args.case, form, ratio)?;
    let stands = report.stands();
    if s.json {
        s.print("check", CheckAnswer { case: input, report, stands });
    } else {
        out(&shown);
        if !shown.is_empty() {
            out("\n");
        }
        out(&self::report(m, &report, !args.topic.is_empty()));
        wrapped_caution();
    }
    Ok(if stands { 3 } else { i32::from(!good) })
}

/// Puts one substance in the place of another, only where the data allows it.
fn substitute(m: &Materia, case: &mut Case, given: &str) -> Result<String, Failure> {
    let (old, new) = given.split_once('=').ok_or_else(|| format!("`{given}` names no substitute; write OLD=NEW"))?;
    let (old, new) = (self::substance(m, old)?, self::substance(m, new)?);
    if !in_its_place(m, old).contains(&new) {
        let others: Vec<String> = in_its_place(m, old).into_iter().map(|s| label(m, s)).collect();
        let others = if others.is_empty() { "nothing".into() } else { others.join(", ") };
        return Err(format!(
            "the data does not allow {} in the place of {}; it allows {others}",
            label(m, new),
            label(m, old)
        )
        .into());
    }
    let mut met = false;
    for p in case.portions.iter_mut().filter(|p| p.substance == old) {
        *p = Portion::new(new, p.grams, &m.substance(new).pot, p.line);
        met = true;
    }
    if !met {
        return Err(format!("{} is not in the prescription", label(m, old)).into());
    }
    Ok(format!(
        "{} in the place of {}: doses and handling are its own, and it is checked as it stands",
        label(m, new),
        label(m, old)
    ))
}

/// The one substance that a name means.
pub fn substance(m: &Materia, name: &str) -> Result<SubstanceIx, Failure> {
    let found = m.resolve(name.trim()).settled();
    found.ok_or_else(|| format!("`{}` is not one known substance", name.trim()).into())
}

/// The form that a word means.
pub fn form_of(word: Option<&str>) -> Result<Option<Form>, Failure> {
    let Some(word) = word else { return Ok(None) };
    Form::from_word(word).map(Some).ok_or_else(|| {
        let words: Vec<&str> = Form::ALL.iter().map(|f| f.word()).collect();
        format!("`{word}` is no form; the forms are {}", words.join(", ")).into()
    })
}

pub fn wrapped_caution() {
    let mut text = String::from("\n");
    wrap(cautions::CHECK, 0, &mut text);
    out(&text);
}

fn mark(severity: Severity) -> &'static str {
    match severity {
        Severity::Deadly => "DEADLY",
        Severity::Grave => "GRAVE",
        Severity::NotChecked => "NOT CHECKED",
        Severity::Caution => "caution",
        Severity::Note => "note",
    }
}

fn source_line(m: &Materia, sources: &[fangwright_materia::records::Provenance]) -> String {
    let one = |p: &fangwright_materia::records::Provenance| {
        let title = match m.library().sources.get(&p.source) {
            None => p.source.clone(),
            Some(s) if s.author.is_empty() => s.title.clone(),
            Some(s) => format!("{} {}, {}", s.author, s.year, s.title),
        };
        let at = if p.at.is_empty() { String::new() } else { format!(", {}", p.at) };
        let how = match p.how {
            fangwright_materia::records::How::Memory if p.source != "common-practice" => " (from memory)",
            _ => "",
        };
        format!("{title}{at}{how}")
    };
    sources.iter().map(one).collect::<Vec<_>>().join("; ")
}

fn one_finding(m: &Materia, f: &Finding, text: &mut String) {
    let own = if f.own { " [own]" } else { "" };
    hang(&format!("{}  {}{own}", pad(mark(f.severity), 11), f.title), 0, 13, text);
    if !f.fires.is_empty() && f.kind != RuleKind::Double {
        let fires: Vec<String> = f
            .fires
            .iter()
            .map(|x| {
                let grams = x.grams.map_or(String::new(), |g| format!(" {} g", g.decimal(2)));
                format!("{}{grams}", label(m, x.substance))
            })
            .collect();
        hang(&fires.join(", "), 13, 15, text);
    }
    for line in &f.details {
        hang(&format!("· {line}"), 13, 15, text);
    }
    // A note need not say more than what to do; `rules` explains the rest.
    if f.severity < Severity::Note && f.kind != RuleKind::Unchecked {
        hang(&format!("why: {}", f.reason), 13, 18, text);
    }
    hang(&format!("do:  {}", f.action), 13, 18, text);
    if f.severity < Severity::Note && f.kind != RuleKind::Unchecked {
        hang(&format!("rests on: {}; {}", f.evidence, source_line(m, &f.sources)), 13, 15, text);
    }
    hang(&format!("key: {}", f.key), 13, 18, text);
    for folded in &f.folded {
        let names: Vec<String> = folded.fires.iter().map(|x| label(m, x.substance)).collect();
        let names = if names.is_empty() { String::new() } else { format!(": {}", names.join(", ")) };
        hang(
            &format!("+ {}, {}{names}; {} [{}]", mark(folded.severity), folded.title, folded.action, folded.key),
            13,
            15,
            text,
        );
        // What the head has said already is not said again.
        for line in folded.details.iter().filter(|line| !f.details.contains(line)) {
            hang(&format!("· {line}"), 15, 17, text);
        }
    }
}

/// A report as text; `partly` where only some topics were asked for.
pub fn report(m: &Materia, report: &Report, partly: bool) -> String {
    let mut text = String::new();
    for f in &report.findings {
        one_finding(m, f, &mut text);
        text.push('\n');
    }
    if !report.findings.iter().any(|f| f.severity != Severity::NotChecked) {
        text.push_str("No rule that was applied found anything. That is not a promise: see what was looked at.\n\n");
    }
    if !report.overridden.is_empty() {
        text.push_str(&heading("Set aside by the practitioner"));
        for f in &report.overridden {
            hang(&format!("{}  {}: {}", pad(mark(f.severity), 11), f.title, f.key), 0, 13, &mut text);
            if let Some(o) = &f.overridden {
                let by = o.by.as_ref().map_or(String::new(), |b| format!(" ({b})"));
                hang(&format!("reason: {}{by}", o.reason), 13, 15, &mut text);
            }
        }
    }
    for r in &report.refused {
        wrap(&format!("The override of {} has no effect: {}", r.given.finding, r.why), 0, &mut text);
    }
    text.push_str(&heading("Looked at"));
    let list = |yes: bool| report.looked.iter().filter(move |l| l.checked == yes).map(|l| l.what.as_str());
    for what in list(true) {
        hang(&format!("· {what}"), 2, 4, &mut text);
    }
    text.push_str(&heading("Not looked at"));
    for what in list(false) {
        hang(&format!("· {what}"), 2, 4, &mut text);
    }
    if partly {
        text.push_str("  · every topic but those chosen with --topic\n");
    }
    text
}

/// Everything of a rule that words may be looked for in.
fn searchable(m: &Materia, r: &Rule, names: &str) -> String {
    let sources = source_line(m, &r.provenance);
    let test = serde_json::to_string(&r.test).unwrap_or_default();
    format!("{} {} {} {} {} {} {names} {sources} {test}", r.id, r.title, r.topic, r.reason, r.action, r.severity)
        .to_lowercase()
}

pub fn rules(s: &Session, args: &RulesArgs) -> Result<bool, Failure> {
    let m = s.m();
    let book = Rulebook::new(m);
    let of = match &args.of {
        None => None,
        Some(name) => match m.resolve(name) {
            Resolution::Known { substance, .. } => Some(substance),
            _ => return Err(format!("`{name}` is no substance we hold; `fangwright name '{name}'` says more").into()),
        },
    };
    let kind = match &args.kind {
        None => None,
        Some(word) => Some(RuleKind::from_word(word).ok_or_else(|| {
            let all: Vec<&str> = RuleKind::ALL.iter().map(|k| k.word()).collect();
            format!("`{word}` is no kind; the kinds are {}", all.join(", "))
        })?),
    };
    let severity = match &args.severity {
        None => None,
        Some(word) => Some(Severity::from_word(word).ok_or_else(|| {
            let all: Vec<&str> = Severity::ALL.iter().map(|k| k.word()).collect();
            format!("`{word}` is no severity; they are {}", all.join(", "))
        })?),
    };
    let words: Vec<String> = args.words.join(" ").split_whitespace().map(str::to_lowercase).collect();
    let exact = book.rules().iter().any(|r| words.len() == 1 && r.id == words[0]);
    let mut shown: Vec<RuleShown> = Vec::new();
    for (i, rule) in book.rules().iter().enumerate() {
        let (substances, with) = book.members(i);
        let named = |list: &[fangwright_materia::SubstanceIx]| of.is_none_or(|s| list.contains(&s));
        let in_total = matches!(&rule.test, Test::Total { contents, .. }
            if of.is_some_and(|s| contents.iter().any(|c| c.substance == m.substance(s).id)));
        let fits = kind.is_none_or(|k| rule.test.kind() == k)
            && severity.is_none_or(|x| rule.severity == x)
            && args.topic.as_ref().is_none_or(|t| rule.topic == *t)
            && (!args.own || rule.place.own)
            && (named(&substances) || named(&with) || in_total);
        if !fits {
            continue;
        }
        let found = if exact {
            rule.id == words[0]
        } else if words.is_empty() {
            true
        } else {
            let names: String = substances.iter().chain(&with).take(60).map(|s| format!("{} ", label(m, *s))).collect();
            let text = searchable(m, rule, &names);
            words.iter().all(|w| text.contains(w.as_str()))
        };
        if found {
            shown.push(RuleShown { rule: rule.clone(), substances, with });
        }
    }
    let any = !shown.is_empty();
    if s.json {
        let (held, switched_off) = (book.rules().len(), book.switched_off());
        s.print("rules", RulesAnswer { held, switched_off, rules: shown });
        return Ok(any);
    }
    if let ([one], true) = (shown.as_slice(), exact || shown.len() == 1) {
        out(&explained(m, one));
    } else {
        shown.sort_by(|a, b| {
            (a.rule.severity, &a.rule.topic, &a.rule.id).cmp(&(b.rule.severity, &b.rule.topic, &b.rule.id))
        });
        for r in &shown {
            let own = if r.rule.place.own { " [own]" } else { "" };
            let line = format!(
                "{} {} {} {}{own}\n",
                pad(mark(r.rule.severity), 11),
                pad(&r.rule.topic, 16),
                pad(&r.rule.id, 44),
                r.rule.title
            );
            out(&line);
        }
        let off = book.switched_off();
        let off = if off == 0 { String::new() } else { format!("; {off} are switched off") };
        out(&format!("\n{} of {} rules{off}. `fangwright rules ID` explains one.\n", shown.len(), book.rules().len()));
    }
    if !any {
        out("No rule fits.\n");
    }
    Ok(any)
}

fn explained(m: &Materia, r: &RuleShown) -> String {
    let mut text = String::new();
    let rule = &r.rule;
    hang(&format!("{}  {}", mark(rule.severity), rule.title), 0, 4, &mut text);
    let list = |list: &[fangwright_materia::SubstanceIx]| {
        let names: Vec<String> = list.iter().map(|s| label(m, *s)).collect();
        match names.len() {
            0..=40 => names.join(", "),
            n => format!("{} and {} more", names[..40].join(", "), n - 40),
        }
    };
    let mut say = |what: &str, value: String| {
        if !value.is_empty() {
            hang(&format!("{} {value}", pad(what, 12)), 2, 15, &mut text);
        }
    };
    say("id", rule.id.clone());
    say("kind", rule.test.kind().to_string());
    say("topic", rule.topic.clone());
    say("substances", list(&r.substances));
    say("with", list(&r.with));
    match &rule.test {
        Test::Patient { when, above } => {
            say("for", when.join(", "));
            say("above", above.map(|a| format!("{} g a day", a.decimal(3))).unwrap_or_default());
        }
        Test::Medicine { medicines, above } => {
            say("medicines", medicines.join(", "));
            say("above", above.map(|a| format!("{} g a day", a.decimal(3))).unwrap_or_default());
        }
        Test::Law { laws } => say("law", laws.join(", ")),
        Test::Duration { days } => say("longer than", format!("{days} days")),
        Test::Dose { over } => say("more than", format!("{} times the top of the range", over.decimal(2))),
        Test::Total { constituent, limit, contents, extracted, when, days } => {
            say("constituent", constituent.clone());
            say("limit", format!("{} mg a day", limit.times(Rational::from(1000)).unwrap_or(*limit).decimal(4)));
            for c in contents {
                let note = if c.note.is_empty() { String::new() } else { format!(" ({})", c.note) };
                say(
                    "content",
                    format!("{} {} to {} percent{note}", c.substance, c.least.decimal(4), c.most.decimal(4)),
                );
            }
            say(
                "extracted",
                extracted.map(|(a, b)| format!("{} to {} percent", a.decimal(1), b.decimal(1))).unwrap_or_default(),
            );
            say("only for", when.join(", "));
            say("longer than", days.map(|d| format!("{d} days")).unwrap_or_default());
        }
        Test::Pair { deliberate, .. } => {
            for d in deliberate {
                say("on purpose", format!("{}: {}", d.formula, d.why));
            }
        }
        Test::Pot { pot } => say("handling", pot.to_string()),
        Test::Child { method } => say("share", method.to_string()),
        Test::Double { what } => say("what", what.to_string()),
        Test::Whole { measure, over } => say("what", format!("{measure}, more than {}", over.decimal(2))),
        Test::Unchecked { what } => say("what", what.to_string()),
        Test::Present => {}
    }
    say("taken as", rule.taken.iter().map(ToString::to_string).collect::<Vec<_>>().join(", "));
    say("why", rule.reason.clone());
    say("do", rule.action.clone());
    say("rests on", format!("{}; {}", rule.evidence, source_line(m, &rule.provenance)));
    say("note", rule.note.clone().unwrap_or_default());
    say("where", format!("{}:{}", rule.place.file, rule.place.line));
    text
}
