//! One function a command.

use std::fs;
use std::io::{self, Read, Write};
use std::path::Path;

use fangwright_amount::{Amount, Era};
use fangwright_formula::{
    Conventions, Diagnostic, Families, Mix, Prescription, Profile, Sum, Tracer, Weight, blend, compare_for, family_svg,
    formula_label, label, read, read_bytes,
};
use fangwright_materia::records::{How, Review};
use fangwright_materia::{FormulaIx, Materia, Resolution};

use crate::output::{
    BlendAnswer, CompareAnswer, ErrorAnswer, FamilyAnswer, Holding, HoldingsAnswer, MeasureAnswer, NameAnswer, Named,
    PatternsAnswer, ReadAnswer, ShowAnswer, TraceAnswer, Weighed,
};
use crate::own::Loaded;
use crate::{Cli, Command, Input, check, clinic, demo, dispense, fit, output, own, render, shelf};

/// What went wrong, with its place in the input where it has one.
pub struct Failure {
    pub message: String,
    pub input: String,
    pub diagnostic: Option<Box<Diagnostic>>,
}

impl From<String> for Failure {
    fn from(message: String) -> Failure {
        Failure { message, input: String::new(), diagnostic: None }
    }
}

/// Everything a command needs.
pub struct Session {
    pub loaded: Loaded,
    pub conventions: Conventions,
    pub json: bool,
}

impl Session {
    pub fn m(&self) -> &Materia {
        &self.loaded.materia
    }

    pub fn print<T: serde::Serialize>(&self, command: &str, result: T) {
        output::print(self.m(), &self.loaded.problems, command, result);
    }
}

/// Runs a command. Exit code 0: done; 1: the input is wrong (2, wrong usage, comes from the argument parser); 3: a check
/// found something of the upper two severities.
pub fn run(cli: Cli) -> i32 {
    let json = cli.common.json;
    let loaded = match own::load(cli.common.data.as_deref(), &cli.common.rules) {
        Ok(loaded) => loaded,
        Err(message) => {
            eprintln!("error: {message}");
            return 1;
        }
    };
    for problem in &loaded.problems {
        eprintln!("own data: {problem} (the shipped record stays in force)");
    }
    let mut conventions = Conventions::usual(&loaded.materia);
    for id in &cli.common.convention {
        if let Err(error) = conventions.choose(&loaded.materia, id) {
            eprintln!("error: {error}");
            return 2;
        }
    }
    if let Some(word) = &cli.common.era {
        match Era::from_word(word) {
            Some(era) => conventions.written = era,
            None => {
                eprintln!("error: `{word}` is no era; write han, tang, song, yuan, ming, qing or modern");
                return 2;
            }
        }
    }
    let session = Session { loaded, conventions, json };
    let json = session.json;
    let fail = |failure: Failure| {
        let loaded = own::load(None, &[]);
        if let (true, Ok(loaded)) = (json, loaded) {
            let answer = ErrorAnswer { error: failure.message, diagnostic: None };
            output::print(&loaded.materia, &[], "error", answer);
        } else {
            eprintln!("error: {}", failure.message);
        }
        1
    };
    let done = match cli.command {
        Command::Clinic(args) => return clinic::run(session, *args).unwrap_or_else(fail),
        Command::Check(args) => check::run(&session, *args),
        Command::Dispense(args) => dispense::run(&session, *args),
        other => command(&session, other).map(|good| i32::from(!good)),
    };
    match done {
        Ok(code) => code,
        Err(failure) => {
            if json {
                session
                    .print("error", ErrorAnswer { error: failure.message, diagnostic: failure.diagnostic.map(|d| *d) });
            } else {
                match &failure.diagnostic {
                    Some(d) => eprint!("{}", render::diagnostics(&failure.input, std::slice::from_ref(d.as_ref()))),
                    None => eprintln!("error: {}", failure.message),
                }
            }
            1
        }
    }
}

/// `Ok(false)`: the answer was given, but the input has errors in it.
fn command(s: &Session, command: Command) -> Result<bool, Failure> {
    match command {
        Command::Check(_) | Command::Dispense(_) | Command::Clinic(_) => {
            unreachable!("`run` takes them, as they have exit codes of their own")
        }
        Command::Stock(args) => shelf::run(s, &args),
        Command::Templates { into } => dispense::templates(&into),
        Command::Rules(args) => check::rules(s, &args),
        Command::Differentiate(args) => fit::differentiate(s, &args),
        Command::Modify(args) => fit::modify_command(s, *args),
        Command::Demo { pictures } => demo::run(s, pictures.as_deref()),
        Command::Read { input } => {
            let (text, rx) = read_input(s, &input)?;
            let good = !rx.has_errors();
            if s.json {
                s.print("read", ReadAnswer { input: text, prescription: rx });
            } else {
                out(&render::prescription(s, &text, &rx));
                out(&render::diagnostics(&text, &rx.diagnostics));
                out(&render::caution());
            }
            Ok(good)
        }
        Command::Trace { input, patterns, behind } => {
            let (text, rx) = read_input(s, &input)?;
            known_patterns(s, &patterns)?;
            let good = !rx.has_errors();
            let answer = trace_answer(s, text, rx, &patterns, behind);
            if s.json {
                s.print("trace", answer);
            } else {
                out(&render::prescription(s, &answer.input, &answer.prescription));
                out(&render::diagnostics(&answer.input, &answer.prescription.diagnostics));
                out(&render::trace_answer(s, &answer));
                out(&render::caution());
            }
            Ok(good)
        }
        Command::Compare { before, after, patterns } => {
            known_patterns(s, &patterns)?;
            let (a, good_a) = mix_of(s, &before)?;
            let (b, good_b) = mix_of(s, &after)?;
            let difference = compare_for(s.m(), &a, &b, &patterns);
            if s.json {
                s.print("compare", CompareAnswer { difference });
            } else {
                out(&render::difference(s, &difference));
                out(&render::profiles(s, &difference));
                out(&render::caution());
            }
            Ok(good_a && good_b)
        }
        Command::Family { name, svg } => {
            let ix = formula(s, &name.join(" "))?;
            let families = Families::new(s.m());
            let family = families.of(s.m(), ix);
            let picture = family_svg(s.m(), &family);
            if let Some(path) = &svg {
                write_file(path, &picture)?;
            }
            if s.json {
                s.print("family", FamilyAnswer { family, svg: picture });
            } else {
                out(&render::family(s, &family));
                if let Some(path) = svg {
                    out(&format!("The picture is in {}.\n", path.display()));
                }
                out(&render::caution());
            }
            Ok(true)
        }
        Command::Blend { expression } => {
            let text = expression.join(" ");
            let sum = blend(s.m(), &text).map_err(|error| Failure {
                message: error.to_string(),
                diagnostic: error.span().map(|span| {
                    Box::new(Diagnostic {
                        weight: Weight::Error,
                        code: "blend".into(),
                        span,
                        message: error.to_string(),
                        help: "write formulas and substances with `+` or `-` between, a share before a formula".into(),
                    })
                }),
                input: text.clone(),
            })?;
            let mix = sum.mix();
            let grams: Vec<_> = mix.parts.iter().map(|p| p.grams).collect();
            let trace = Tracer::new(s.m()).trace(s.m(), &mix.substances(), &grams, |_| true).ok();
            if s.json {
                s.print("blend", BlendAnswer { expression: text, blend: sum, trace });
            } else {
                out(&render::blend(s, &text, &sum));
                if let Some(trace) = trace {
                    out(&render::trace(s, &trace));
                }
                out(&render::caution());
            }
            Ok(true)
        }
        Command::Name { names } => {
            let names: Vec<Named> = names.into_iter().map(|name| Named { means: s.m().resolve(&name), name }).collect();
            let good = names.iter().all(|n| n.means.settled().is_some());
            if s.json {
                s.print("name", NameAnswer { names });
            } else {
                for n in &names {
                    out(&render::named(s, &n.name, &n.means));
                }
                out(&render::caution());
            }
            Ok(good)
        }
        Command::Show { name } => show(s, &name.join(" ")),
        Command::Measure { amount, of, list } => measure(s, &amount.join(" "), of.as_deref(), list),
        Command::Patterns => {
            let patterns: Vec<_> =
                s.m().library().patterns.iter().map(|(id, p)| (id.clone(), p.zh.clone(), p.en.clone())).collect();
            if s.json {
                s.print("patterns", PatternsAnswer { patterns });
            } else {
                for (id, zh, en) in patterns {
                    out(&format!("{id:42} {zh}  {en}\n"));
                }
            }
            Ok(true)
        }
        Command::Holdings => {
            let kinds = holdings(s.m());
            if s.json {
                s.print("holdings", HoldingsAnswer { kinds });
            } else {
                out(&render::holdings(&kinds));
            }
            Ok(true)
        }
        Command::Schema { command } => {
            let all = output::schemas();
            let Some(command) = command else {
                all.iter().for_each(|(name, _)| out(&format!("{name}\n")));
                return Ok(true);
            };
            let Some((_, schema)) = all.iter().find(|(name, _)| *name == command) else {
                let names: Vec<&str> = all.iter().map(|(n, _)| *n).collect();
                return Err(format!("there is no shape `{command}`; the shapes are {}", names.join(", ")).into());
            };
            let text = serde_json::to_string_pretty(schema).map_err(|e| e.to_string())?;
            out(&text);
            out("\n");
            Ok(true)
        }
    }
}

/// Prints, and stops quietly where the reader of a pipe has gone.
pub fn out(text: &str) {
    if io::stdout().write_all(text.as_bytes()).is_err() {
        std::process::exit(0);
    }
}

pub fn write_file(path: &Path, text: &str) -> Result<(), Failure> {
    fs::write(path, text).map_err(|e| format!("{} cannot be written: {e}", path.display()).into())
}

fn known_patterns(s: &Session, patterns: &[String]) -> Result<(), Failure> {
    for p in patterns {
        if !s.m().library().patterns.contains_key(p) {
            return Err(format!("there is no pattern `{p}`; `fangwright patterns` lists them").into());
        }
    }
    Ok(())
}

pub fn read_input(s: &Session, input: &Input) -> Result<(String, Prescription), Failure> {
    let bytes = match &input.file {
        Some(path) if path.as_os_str() == "-" => stdin()?,
        Some(path) => file(path)?,
        None if input.words == ["-"] || input.words.is_empty() => stdin()?,
        None => input.words.join(" ").into_bytes(),
    };
    read_text(s, bytes)
}

fn limited(reader: impl Read) -> io::Result<Vec<u8>> {
    // A byte more than is read shows that there is too much, without taking it all in.
    let mut bytes = Vec::new();
    reader.take(fangwright_formula::LARGEST as u64 + 1).read_to_end(&mut bytes)?;
    Ok(bytes)
}

fn stdin() -> Result<Vec<u8>, Failure> {
    limited(io::stdin().lock()).map_err(|e| format!("standard input cannot be read: {e}").into())
}

pub fn file(path: &Path) -> Result<Vec<u8>, Failure> {
    let open = fs::File::open(path).and_then(limited);
    open.map_err(|e| format!("{} cannot be read: {e}", path.display()).into())
}

fn read_text(s: &Session, bytes: Vec<u8>) -> Result<(String, Prescription), Failure> {
    match read_bytes(s.m(), &bytes) {
        Ok(rx) => Ok((String::from_utf8_lossy(&bytes).into_owned(), rx)),
        Err(diagnostic) => Err(Failure {
            message: format!("{}; {}", diagnostic.message, diagnostic.help),
            input: String::new(),
            diagnostic: None,
        }),
    }
}

pub fn formula(s: &Session, name: &str) -> Result<FormulaIx, Failure> {
    let m = s.m();
    match m.resolve_formula(name) {
        Resolution::Known { substance, .. } => Ok(substance),
        Resolution::Misspelt { substance, read_as, .. } => {
            eprintln!("`{name}` is read as {read_as}");
            Ok(substance)
        }
        Resolution::Ambiguous { tells, .. } => Err(format!("`{name}` names more than one formula: {tells}").into()),
        Resolution::Unknown { nearest } => {
            let near: Vec<String> = nearest.iter().take(3).map(|n| formula_label(m, n.target)).collect();
            let near = if near.is_empty() { String::new() } else { format!("; nearest: {}", near.join(", ")) };
            Err(format!("`{name}` is no formula we hold{near}").into())
        }
    }
}

/// A formula by name, `@FILE`, or a prescription as text.
pub fn mix_of(s: &Session, given: &str) -> Result<(Mix, bool), Failure> {
    let m = s.m();
    if let Some(path) = given.strip_prefix('@') {
        let (text, rx) = read_text(s, file(Path::new(path))?)?;
        report(&text, &rx);
        return Ok((Mix::of_prescription(m, &rx, &s.conventions), !rx.has_errors()));
    }
    if m.resolve_formula(given).settled().is_some() && !m.names_a_substance(given) {
        return Ok((Mix::of_formula(m, formula(s, given)?), true));
    }
    let rx = read(m, given);
    report(given, &rx);
    let mix = Mix::of_prescription(m, &rx, &s.conventions);
    if mix.parts.is_empty() {
        // Say what a formula of that name would be, if the whole was meant as one.
        return Err(formula(s, given).err().unwrap_or_else(|| "nothing to compare".to_string().into()));
    }
    Ok((mix, !rx.has_errors()))
}

fn report(text: &str, rx: &Prescription) {
    let serious: Vec<Diagnostic> = rx.diagnostics.iter().filter(|d| d.weight != Weight::Note).cloned().collect();
    eprint!("{}", render::diagnostics(text, &serious));
}

/// The mix that a sum of bases comes to, each in its own dose.
pub fn mix_of_sum(m: &Materia, sum: &Sum) -> Mix {
    if let [one] = sum.bases.as_slice() {
        return Mix::of_formula(m, one.formula);
    }
    let mut whole = Mix::default();
    for base in &sum.bases {
        for part in Mix::of_formula(m, base.formula).parts {
            if !whole.parts.iter().any(|p| p.substance == part.substance) {
                whole.parts.push(part);
            }
        }
    }
    whole
}

/// Traces a prescription and compares it with the best base.
pub fn trace_answer(s: &Session, input: String, rx: Prescription, patterns: &[String], behind: bool) -> TraceAnswer {
    let m = s.m();
    let mut mix = Mix::of_prescription(m, &rx, &s.conventions);
    // A prescription that is one formula by name is that formula.
    if let [only] = rx.formulas.as_slice()
        && rx.items.iter().all(|i| i.from.is_some())
        && rx.left_out.is_empty()
    {
        mix.formula = Some(*only);
    }
    let grams: Vec<_> = mix.parts.iter().map(|p| p.grams).collect();
    let mut own_set = mix.substances();
    own_set.sort();
    let same = |f: FormulaIx| {
        let mut set = m.ingredients(f);
        set.sort();
        set == own_set
    };
    let youngest = mix.formula.map(|f| m.formula(f).year);
    let allow = |f: FormulaIx| !behind || (!same(f) && youngest.is_none_or(|y| m.formula(f).year <= y));
    let trace = Tracer::new(m).trace(m, &mix.substances(), &grams, allow).ok();
    let difference = trace.as_ref().and_then(|t| t.best.first()).map(|best| {
        let mut target = mix.clone();
        // Behind a known formula: its own record says what it is for.
        if behind && target.formula.is_none() {
            target.formula = m.formulas().map(|(f, _)| f).find(|f| same(*f));
        }
        compare_for(m, &mix_of_sum(m, best), &target, patterns)
    });
    TraceAnswer { input, prescription: rx, trace, difference }
}

fn show(s: &Session, name: &str) -> Result<bool, Failure> {
    let m = s.m();
    let substance = m.resolve(name);
    if let Resolution::Known { substance, .. } = substance {
        let record = m.substance(substance);
        if s.json {
            s.print("show", ShowAnswer::Substance(record.clone()));
        } else {
            out(&render::substance(s, substance));
            out(&render::caution());
        }
        return Ok(true);
    }
    if let Some(ix) = m.resolve_formula(name).settled() {
        let profile = Profile::of(m, &Mix::of_formula(m, ix));
        if s.json {
            s.print("show", ShowAnswer::Formula { formula: m.formula(ix).clone(), profile });
        } else {
            out(&render::formula(s, ix));
            out(&render::caution());
        }
        return Ok(true);
    }
    if s.json {
        s.print("name", NameAnswer { names: vec![Named { name: name.into(), means: substance.clone() }] });
    } else {
        out(&render::named(s, name, &substance));
    }
    Ok(false)
}

fn measure(s: &Session, text: &str, of: Option<&str>, list: bool) -> Result<bool, Failure> {
    let m = s.m();
    let all = &m.library().conventions;
    if list || text.is_empty() {
        let weights: Vec<Weighed> =
            all.iter().map(|c| Weighed { convention: c.clone(), grams: None, problem: None }).collect();
        if s.json {
            s.print("measure", MeasureAnswer { amount: None, weights });
        } else {
            out(&render::conventions(s));
        }
        return Ok(true);
    }
    let amount: Amount = match text.parse() {
        Ok(a) => a,
        Err(error) => {
            // As a practitioner would write it: 三两, 12枚.
            let rx = read(m, &format!("甘草{text}"));
            match rx.items.first().and_then(|i| i.amount.clone()) {
                Some(w) if rx.items.len() == 1 && !rx.has_errors() => w.amount,
                _ => return Err(format!("{error}").into()),
            }
        }
    };
    let substance = match of {
        None => None,
        Some(name) => match m.resolve(name).settled() {
            Some(x) => Some(x),
            None => {
                out(&render::named(s, name, &m.resolve(name)));
                return Ok(false);
            }
        },
    };
    let mut weights = Vec::new();
    for c in all {
        let mut conventions = s.conventions.clone();
        let _ = conventions.choose(m, &c.id);
        let weighed = match substance {
            Some(x) => conventions.weigh(m, x, &amount, c.era).map_err(|e| e.to_string()),
            None => c.grams(&amount).map_err(|e| e.to_string()),
        };
        let (grams, problem) = match weighed {
            Ok(g) => (Some(g), None),
            Err(e) => (None, Some(e)),
        };
        weights.push(Weighed { convention: c.clone(), grams, problem });
    }
    let good = weights.iter().any(|w| w.grams.is_some());
    if s.json {
        s.print("measure", MeasureAnswer { amount: Some(amount), weights });
    } else {
        out(&render::weights(s, &amount, substance.map(|x| label(m, x)), &weights));
    }
    Ok(good)
}

/// How many records there are, and what they rest on.
pub fn holdings(m: &Materia) -> Vec<Holding> {
    let library = m.library();
    let mut substances = Holding { kind: "substances".into(), records: library.substances.len(), ..Holding::default() };
    for x in &library.substances {
        substances.own += usize::from(x.place.own);
        let read = x.provenance.iter().any(|p| p.how == How::Read);
        substances.on_source += usize::from(read);
        substances.on_memory += usize::from(!read);
        substances.second_pass += usize::from(x.review.is_some());
        substances.mended += usize::from(x.review == Some(Review::Mended));
    }
    let mut formulas = Holding { kind: "formulas".into(), records: library.formulas.len(), ..Holding::default() };
    for x in &library.formulas {
        formulas.own += usize::from(x.place.own);
        let read = x.source.how == How::Read;
        formulas.on_source += usize::from(read);
        formulas.on_memory += usize::from(!read);
        formulas.second_pass += usize::from(x.review.is_some());
        formulas.mended += usize::from(x.review == Some(Review::Mended));
    }
    let memory = |kind: &str, records: usize, on_source: usize| Holding {
        kind: kind.into(),
        records,
        on_source,
        on_memory: records - on_source,
        ..Holding::default()
    };
    let read_pieces = library.pieces.iter().filter(|p| p.how == How::Read).count();
    let read_conventions = library.conventions.iter().filter(|c| c.how == How::Read.word()).count();
    vec![
        substances,
        formulas,
        memory("actions", library.actions.len(), 0),
        memory("patterns", library.patterns.len(), 0),
        memory("ambiguous names", library.ambiguous.len(), 0),
        memory("weights of pieces and volumes", library.pieces.len(), read_pieces),
        memory("conventions", library.conventions.len(), read_conventions),
    ]
}

/// Era words for people.
pub fn era(e: Era) -> &'static str {
    match e {
        Era::Han => "Han",
        Era::Tang => "Tang",
        Era::Song => "Song",
        Era::Yuan => "Yuan",
        Era::Ming => "Ming",
        Era::Qing => "Qing",
        Era::Modern => "modern",
    }
}
