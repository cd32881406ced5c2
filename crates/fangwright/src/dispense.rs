//! `dispense`: from the prescription to the bag, the pot and the label.

use std::path::{Path, PathBuf};

use clap::Args;
use fangwright_amount::Rational;
use fangwright_dispense::{
    Bill, Drinker, Ledger, LedgerError, Measure, Movement, Order, Plan, PlanError, PotAct, Pricing, RatioFrom, Stock,
    Weight, bill, plan, prescribed,
};
use fangwright_materia::Materia;
use fangwright_print::{Clinic, LabelSize, Language, Person, Press, PrintedFinding, Ticket, pages_data};
use fangwright_safety::{Case, Facts, Finding, Patient, Report};
use jiff::civil::Date;
use jiff::{Timestamp, ZonedDateTime};
use rayon::prelude::*;
use serde::Deserialize;

use crate::book::FileLog;
use crate::check::{self, CaseArgs, Checked, text_of};
use crate::output::{DispenseAnswer, Printed};
use crate::render::{hang, heading, pad};
use crate::run::{Failure, Session, out};

#[derive(Args)]
pub struct DispenseArgs {
    #[command(flatten)]
    case: CaseArgs,
    #[command(flatten)]
    making: MakingArgs,
    #[command(flatten)]
    paper: PaperArgs,
    /// The book of stock (a file); `stock` keeps it.
    #[arg(long, value_name = "FILE")]
    book: Option<PathBuf>,
    /// Which product for a substance, where there are several: `Huang Qi=hq-5`. May be given more than once.
    #[arg(long, value_name = "NAME=PRODUCT")]
    product: Vec<String>,
    /// A granule of a whole formula to build on (product id); singles make up the difference.
    #[arg(long, value_name = "PRODUCT")]
    whole: Option<String>,
    /// Set the lots aside under the dispensing number.
    #[arg(long, requires = "book")]
    reserve: bool,
    /// Put them into the bag: they leave stock.
    #[arg(long, requires = "book")]
    take: bool,
    /// How the clinic prices (TOML).
    #[arg(long, value_name = "FILE", requires = "book")]
    pricing: Option<PathBuf>,
    /// Many dispensings from JSON lines, their worksheets in one PDF (`--into`).
    #[arg(long, value_name = "FILE", requires = "into")]
    batch: Option<PathBuf>,
    /// List the preparations and vessels.
    #[arg(long)]
    list: bool,
}

#[derive(Args, Clone)]
pub struct MakingArgs {
    /// The preparation (see --list).
    #[arg(long = "as", value_name = "PREPARATION", default_value = "raw-decoction")]
    preparation: String,
    /// Doses a day.
    #[arg(long, value_name = "N")]
    doses: Option<u32>,
    /// What the scale resolves, in grams.
    #[arg(long, value_name = "GRAMS", default_value = "0.1")]
    scale: String,
    /// How often a decoction is boiled: 1 or 2.
    #[arg(long, value_name = "N", default_value_t = 2)]
    boilings: u32,
    /// Millilitres of one dose of a decoction.
    #[arg(long, value_name = "ML")]
    dose_ml: Option<String>,
    /// What it is cooked in (see --list).
    #[arg(long, value_name = "ID")]
    vessel: Option<String>,
    /// Finished grams, or millilitres of what is liquid, a day.
    #[arg(long, value_name = "AMOUNT")]
    daily: Option<String>,
    /// Weight of one pill in grams.
    #[arg(long, value_name = "GRAMS")]
    pill: Option<String>,
    /// Grams of honey to one gram of powder.
    #[arg(long, value_name = "GRAMS")]
    honey: Option<String>,
    /// Millilitres of solvent to one gram, for tinctures and wines.
    #[arg(long, value_name = "ML")]
    ratio: Option<String>,
    /// Per cent of alcohol of the solvent.
    #[arg(long, value_name = "PERCENT")]
    strength: Option<String>,
    /// Per cent of the alcohol in stock (default 96).
    #[arg(long, value_name = "PERCENT")]
    spirit: Option<String>,
    /// The day (default: today), as 2026-11-25.
    #[arg(long, value_name = "DATE")]
    on: Option<String>,
}

#[derive(Args, Clone)]
pub struct PaperArgs {
    /// Write these pages, separated by commas: prescription, worksheet, label, sheet, or all.
    #[arg(long, value_name = "PAGES")]
    print: Option<String>,
    /// Into this folder (with --batch: this file).
    #[arg(long, value_name = "PATH")]
    into: Option<PathBuf>,
    /// Dispensing number; the bar code holds it. Default: made of day and time.
    #[arg(long, value_name = "NUMBER")]
    number: Option<String>,
    /// Patient's name, in any script.
    #[arg(long, value_name = "NAME", default_value = "")]
    name: String,
    /// Birth date, as it is to be printed.
    #[arg(long, value_name = "DATE", default_value = "")]
    born: String,
    /// Who prescribed.
    #[arg(long, value_name = "NAME", default_value = "")]
    prescriber: String,
    /// Who dispenses.
    #[arg(long, value_name = "NAME", default_value = "")]
    dispenser: String,
    /// Name, address and telephone of the clinic (TOML with `name`, `address`, `phone`).
    #[arg(long, value_name = "FILE")]
    clinic: Option<PathBuf>,
    /// en, zh or zh-hant.
    #[arg(long, value_name = "LANGUAGE", default_value = "en")]
    language: String,
    /// Large print.
    #[arg(long)]
    large: bool,
    /// small, bottle, bag, large, or `80x45` in millimetres.
    #[arg(long, value_name = "SIZE", default_value = "bag")]
    label: String,
    /// Folder with templates of the clinic's own (`templates` writes the shipped ones).
    #[arg(long, value_name = "DIR")]
    templates: Option<PathBuf>,
    /// Folder with further fonts, for rare characters.
    #[arg(long, value_name = "DIR")]
    fonts: Option<PathBuf>,
}

fn exact(text: Option<&String>) -> Result<Option<Rational>, Failure> {
    Ok(check::number(text)?.map(|n| n.0))
}

/// The day where the clinic is.
pub fn day_of(text: Option<&str>) -> Result<Date, Failure> {
    match text {
        None => Ok(ZonedDateTime::now().date()),
        Some(t) => t.parse().map_err(|_| format!("`{t}` is no day; write year, month and day as 2026-11-25").into()),
    }
}

impl MakingArgs {
    fn order(&self, days: u32, patient: &Patient, facts: &Facts) -> Result<Order, Failure> {
        Ok(Order {
            doses: self.doses,
            scale: exact(Some(&self.scale))?.unwrap_or(Rational::ONE),
            drinker: Drinker::of(facts),
            weight_known: patient.weight_kg.is_some(),
            boilings: self.boilings,
            dose_ml: exact(self.dose_ml.as_ref())?,
            vessel: self.vessel.clone(),
            daily: exact(self.daily.as_ref())?,
            unit_grams: exact(self.pill.as_ref())?,
            honey: exact(self.honey.as_ref())?,
            ratio: exact(self.ratio.as_ref())?,
            strength: exact(self.strength.as_ref())?,
            spirit: exact(self.spirit.as_ref())?,
            ..Order::new(&self.preparation, days, day_of(self.on.as_deref())?)
        })
    }
}

impl From<LedgerError> for Failure {
    fn from(e: LedgerError) -> Failure {
        e.to_string().into()
    }
}

/// The findings that pages print: what stands, and what was set aside with its reason.
fn printed(report: &Report) -> Vec<PrintedFinding> {
    let one = |f: &Finding| PrintedFinding {
        severity: f.severity.word().into(),
        text: format!("{}: {}", f.title, f.action),
        reason: f.overridden.as_ref().map_or(String::new(), |o| o.reason.clone()),
    };
    let notes = fangwright_materia::records::Severity::Note;
    let graver = report
        .findings
        .iter()
        .filter(|f| f.severity < notes && f.kind != fangwright_materia::records::RuleKind::Unchecked);
    report.overridden.iter().chain(graver).map(one).collect()
}

fn folder(path: &Path, extensions: &[&str]) -> Result<Vec<(String, Vec<u8>)>, Failure> {
    let bad = |e: std::io::Error| Failure::from(format!("{} cannot be read: {e}", path.display()));
    let mut files = Vec::new();
    for entry in std::fs::read_dir(path).map_err(bad)? {
        let p = entry.map_err(bad)?.path();
        let fits =
            p.extension().and_then(|e| e.to_str()).is_some_and(|e| extensions.contains(&e.to_lowercase().as_str()));
        if let (true, Some(name)) = (fits, p.file_name().and_then(|n| n.to_str())) {
            files.push((name.to_string(), std::fs::read(&p).map_err(bad)?));
        }
    }
    files.sort();
    Ok(files)
}

impl PaperArgs {
    fn press(&self) -> Result<Press, Failure> {
        let own = match &self.templates {
            None => Vec::new(),
            Some(path) => folder(path, &["typ"])?
                .into_iter()
                .map(|(name, bytes)| {
                    let text = String::from_utf8(bytes).map_err(|_| format!("{name} is not UTF-8 text"))?;
                    Ok((name, text))
                })
                .collect::<Result<Vec<_>, Failure>>()?,
        };
        let fonts = match &self.fonts {
            None => Vec::new(),
            Some(path) => folder(path, &["otf", "ttf", "ttc"])?.into_iter().map(|f| f.1).collect(),
        };
        Ok(Press::new(&own, fonts))
    }

    fn clinic(&self) -> Result<Clinic, Failure> {
        match &self.clinic {
            None => Ok(Clinic::default()),
            Some(path) => toml::from_str(&text_of(path)?).map_err(|e| format!("{}: {e}", path.display()).into()),
        }
    }

    fn language(&self) -> Result<Language, Failure> {
        Language::from_word(&self.language)
            .ok_or_else(|| format!("`{}` is no language of the pages; write en, zh or zh-hant", self.language).into())
    }

    fn label(&self) -> Result<LabelSize, Failure> {
        LabelSize::from_word(&self.label).ok_or_else(|| {
            let words: Vec<&str> = LabelSize::USUAL.iter().map(|s| s.0).collect();
            let all = words.join(", ");
            format!("`{}` is no label; write {all}, or width and height in millimetres such as 80x45", self.label)
                .into()
        })
    }

    /// Which templates are asked for.
    fn pages(&self) -> Result<Vec<&'static str>, Failure> {
        const ALL: [&str; 4] = ["prescription", "worksheet", "label", "sheet"];
        let Some(asked) = &self.print else { return Ok(Vec::new()) };
        if asked == "all" {
            return Ok(ALL.to_vec());
        }
        asked
            .split(',')
            .map(|word| {
                let word = word.trim();
                ALL.into_iter()
                    .find(|p| *p == word)
                    .ok_or_else(|| format!("`{word}` is no page; the pages are {}, or all", ALL.join(", ")).into())
            })
            .collect()
    }
}

/// A plan with everything as usual.
pub fn planned(
    m: &Materia,
    case: &Case,
    facts: &Facts,
    patient: &Patient,
    preparation: &str,
    days: u32,
) -> Result<Plan, Failure> {
    let usual = Order::new(preparation, days, day_of(None)?);
    let order = Order { drinker: Drinker::of(facts), weight_known: patient.weight_kg.is_some(), ..usual };
    plan(m, &prescribed(case).0, &order, None).map_err(|e| e.to_string().into())
}

/// Lists what `--as` and `--vessel` take.
fn list(m: &Materia) {
    let d = &m.library().dispensing;
    out(&heading("Preparations"));
    for p in &d.preparation {
        out(&format!("{} {} {}\n", pad(&p.id, 22), pad(&p.en, 46), p.zh));
    }
    out(&heading("Vessels"));
    for v in &d.vessel {
        out(&format!("{} {} {}  {}\n", pad(&v.id, 22), pad(&v.en, 46), v.zh, v.fit));
    }
}

fn ticket_number(given: Option<&String>) -> String {
    given.cloned().unwrap_or_else(|| {
        let now = ZonedDateTime::now();
        format!("{}-{:02}{:02}{:02}", now.date().to_string().replace('-', ""), now.hour(), now.minute(), now.second())
    })
}

pub fn run(s: &Session, args: DispenseArgs) -> Result<i32, Failure> {
    let m = s.m();
    if args.list {
        list(m);
        return Ok(0);
    }
    let book = check::book(m, &[])?;
    if let Some(path) = &args.batch {
        return batch(s, &book, &args, path);
    }
    let d = &m.library().dispensing;
    let form = d.preparation(&args.making.preparation).map(|p| p.form);
    let Checked { case, input, report, facts, shown, good } = check::checked(s, &book, args.case, form, None)?;
    let stands = report.stands();
    let patient = input.patient.clone().unwrap_or_default();
    if !s.json {
        out(&shown);
    }
    if stands || !good {
        // Nothing is planned on what was not understood or must not go out.
        if s.json {
            let answer =
                DispenseAnswer { case: input, report, stands, plan: None, bill: None, number: None, pages: Vec::new() };
            s.print("dispense", answer);
        } else {
            out(&format!("\n{}", check::report(m, &report, false)));
            let why = if stands {
                "Nothing is dispensed: a finding of the upper two severities stands. Change the prescription, or set the finding aside with its reason (--override)."
            } else {
                "Nothing is dispensed: not everything was understood."
            };
            out(&format!("\n{why}\n"));
        }
        return Ok(if stands { 3 } else { 1 });
    }
    let (items, unweighed) = prescribed(&case);
    if let Some(n) = unweighed.first() {
        let name = fangwright_formula::label(m, case.portions[*n].substance);
        return Err(format!("{name} has no weight; write the grams behind it").into());
    }
    let days =
        input.days.ok_or("for how many days? give --days, or write it in the prescription (7 doses)".to_string())?;
    let mut order = args.making.order(days, &patient, &facts)?;
    order.whole = args.whole.clone();
    for given in &args.product {
        let (name, product) =
            given.split_once('=').ok_or_else(|| format!("`{given}` names no product; write NAME=PRODUCT"))?;
        let ix = check::substance(m, name)?;
        order.products.insert(m.substance(ix).id.clone(), product.trim().into());
    }
    let mut ledger = match &args.book {
        None => None,
        Some(path) => Some(Ledger::open(FileLog::open(path).map_err(LedgerError::from)?)?),
    };
    let number = ticket_number(args.paper.number.as_ref());
    let make = |stock: Option<&Stock>| -> Result<Plan, PlanError> { plan(m, &items, &order, stock) };
    let mut made = make(ledger.as_ref().map(Ledger::stock)).map_err(|e| e.to_string())?;
    let holds = made.stands();
    let mut reserved = false;
    if (args.reserve || args.take)
        && holds
        && let Some(ledger) = &mut ledger
    {
        let by = &args.paper.dispenser;
        // The plan is made anew on the very stock it is set aside from.
        ledger.act(Timestamp::now(), order.day, by, |stock| -> Result<Movement, Failure> {
            made = make(Some(stock)).map_err(|e| e.to_string())?;
            if let Some(r) = made.remarks.iter().find(|r| r.weight == Weight::Stop) {
                return Err(r.text.clone().into());
            }
            let picks = made.lines.iter().flat_map(|l| l.picks.clone()).collect();
            Ok(Movement::Reserve { dispensing: number.clone(), picks })
        })?;
        reserved = true;
    }
    let papers = |made: &Plan, stock: Option<&Stock>| -> Result<(Option<Bill>, Vec<Printed>), Failure> {
        let priced: Option<Bill> = match (&args.pricing, stock) {
            (Some(path), Some(stock)) => {
                let pricing: Pricing =
                    toml::from_str(&text_of(path)?).map_err(|e| format!("{}: {e}", path.display()))?;
                Some(bill(made, stock, &pricing).map_err(|e| e.to_string())?)
            }
            _ => None,
        };
        let mut pages = Vec::new();
        if holds {
            let asked = args.paper.pages()?;
            if !asked.is_empty() {
                let press = args.paper.press()?;
                let clinic = args.paper.clinic()?;
                let person = Person { name: args.paper.name.clone(), born: args.paper.born.clone() };
                let findings = printed(&report);
                let ticket = Ticket {
                    number: &number,
                    date: order.day,
                    clinic: &clinic,
                    patient: &person,
                    prescriber: &args.paper.prescriber,
                    dispenser: &args.paper.dispenser,
                    plan: made,
                    bill: priced.as_ref(),
                    stock,
                    findings: &findings,
                    language: args.paper.language()?,
                    large: args.paper.large,
                    label: args.paper.label()?,
                };
                let data = pages_data(m, &ticket);
                let into = args.paper.into.clone().unwrap_or_else(|| PathBuf::from("."));
                std::fs::create_dir_all(&into).map_err(|e| format!("{} cannot be made: {e}", into.display()))?;
                for page in asked {
                    let pdf = press.print(&format!("{page}.typ"), &data).map_err(|e| format!("{page}: {e}"))?;
                    let path = into.join(format!("{number}-{page}.pdf"));
                    std::fs::write(&path, &pdf).map_err(|e| format!("{} cannot be written: {e}", path.display()))?;
                    pages.push(Printed { page: page.into(), file: path.display().to_string(), bytes: pdf.len() });
                }
            }
        }
        Ok((priced, pages))
    };
    let done = papers(&made, ledger.as_ref().map(Ledger::stock));
    if let Some(ledger) = ledger.as_mut().filter(|_| reserved) {
        // What could not be priced or printed goes back; only then does anything leave stock.
        let patient = if args.paper.name.is_empty() { "unnamed" } else { &args.paper.name };
        let next = match &done {
            Err(_) => Some(Movement::Release { dispensing: number.clone() }),
            Ok(_) if args.take => Some(Movement::Use { dispensing: number.clone(), patient: patient.into() }),
            Ok(_) => None,
        };
        if let Some(next) = next {
            let act = |_: &Stock| -> Result<Movement, Failure> { Ok(next.clone()) };
            ledger.act(Timestamp::now(), order.day, &args.paper.dispenser, act)?;
        }
    }
    let (priced, pages) = done?;
    if s.json {
        s.print(
            "dispense",
            DispenseAnswer { case: input, report, stands, plan: Some(made), bill: priced, number: Some(number), pages },
        );
    } else {
        out(&plan_text(m, &made, priced.as_ref(), &number));
        for p in &pages {
            out(&format!("{} is in {} ({} KB).\n", p.page, p.file, p.bytes.div_ceil(1000)));
        }
        if !holds {
            out("\nNothing was set aside or printed: a remark says stop.\n");
        }
        check::wrapped_caution();
    }
    Ok(i32::from(!holds))
}

/// A plan as text.
pub fn plan_text(m: &Materia, p: &Plan, priced: Option<&Bill>, number: &str) -> String {
    let d = &m.library().dispensing;
    let mut text = String::new();
    let name = d.preparation(&p.preparation).map_or(p.preparation.clone(), |x| format!("{} {}", x.en, x.zh));
    text.push_str(&heading(&format!(
        "{name}: {} days, {} doses a day, {} pack(s); number {number}",
        p.days, p.doses, p.packs
    )));
    for r in &p.remarks {
        let word = match r.weight {
            Weight::Stop => "STOP",
            Weight::Warn => "LOOK",
            Weight::Note => "note",
        };
        hang(&format!("{word}  {}", r.text), 0, 6, &mut text);
    }
    if !p.remarks.is_empty() {
        text.push('\n');
    }
    for (n, l) in p.lines.iter().enumerate() {
        let count = match (l.measure, l.count) {
            (Measure::Sachets, Some(c)) => format!("{c} sachets of {} g = ", l.unit.decimal(3)),
            (Measure::Spoons, Some(c)) => format!("{c} spoons of {} g = ", l.unit.decimal(3)),
            _ => String::new(),
        };
        let ratio = match l.ratio_from {
            RatioFrom::None => String::new(),
            RatioFrom::Stock => format!(", {}:1", l.ratio.decimal(3)),
            RatioFrom::Usual => format!(", {}:1 (usual ratio)", l.ratio.decimal(3)),
        };
        let handling: Vec<&str> = l.handling.iter().map(|h| h.word()).collect();
        let handling = if handling.is_empty() { String::new() } else { format!("  [{}]", handling.join(", ")) };
        let line = format!(
            "{} {} g raw a day{ratio}; exact {} g, weigh {count}{} g{handling}",
            pad(&l.name, 30),
            l.raw.decimal(3),
            l.exact.decimal(4),
            l.weighed.decimal(3)
        );
        hang(&format!("{:>2}  {line}", n + 1), 0, 6, &mut text);
        for pick in &l.picks {
            text.push_str(&format!("      lot {} of {}: {} g\n", pick.lot, pick.product, pick.grams.decimal(3)));
        }
    }
    text.push_str(&format!(
        "    exact total {} g, weighed {} g; no ingredient is off by more than {} g\n",
        p.exact.decimal(4),
        p.weighed.decimal(3),
        p.largest_error.decimal(4)
    ));
    let f = &p.finished;
    let mut facts: Vec<String> = Vec::new();
    let mut fact = |what: &str, x: Option<Rational>, unit: &str, places: u32| {
        if let Some(x) = x {
            facts.push(format!("{what} {}{unit}", x.decimal(places)));
        }
    };
    fact("a day", f.daily_grams, " g", 2);
    fact("a day", f.daily_ml, " ml", 1);
    fact("a dose", f.dose_grams, " g", 2);
    fact("a dose", f.dose_ml, " ml", 1);
    fact("in all", f.batch_grams, " g", 1);
    fact("in all", f.batch_ml, " ml", 0);
    fact("honey", f.honey, " g", 1);
    fact("pills", f.units, "", 0);
    fact("solvent", f.solvent_ml, " ml", 0);
    fact("of", f.strength, " per cent", 1);
    fact("from alcohol in stock", f.spirit_ml, " ml", 0);
    fact("with water", f.water_ml, " ml", 0);
    fact("pure alcohol a day", f.alcohol_a_day, " g", 1);
    if let Some([least, most]) = f.sugar {
        facts.push(format!("sugar {} to {} g", least.decimal(0), most.decimal(0)));
    }
    if !facts.is_empty() {
        hang(&format!("Made: {}.", facts.join("; ")), 0, 4, &mut text);
    }
    if let Some(c) = &p.cooking {
        text.push_str(&heading(&format!("The pot ({})", c.rule_words.en)));
        hang(
            &format!(
                "Water: {} ml taken up by the herbs + {} ml boiled away + {} ml to come out = {} ml, then {} ml.",
                c.absorbed.decimal(0),
                c.evaporated.decimal(0),
                c.steps
                    .iter()
                    .find_map(|s| match s.what {
                        PotAct::Strain { millilitres } => Some(millilitres.decimal(0)),
                        _ => None,
                    })
                    .unwrap_or_default(),
                c.first_water.decimal(0),
                c.second_water.decimal(0)
            ),
            0,
            4,
            &mut text,
        );
        for step in &c.steps {
            let names: Vec<&str> = step.lines.iter().filter_map(|n| p.lines.get(*n)).map(|l| l.name.as_str()).collect();
            let names = names.join(", ");
            let what = match &step.what {
                PotAct::Soak { millilitres, minutes } => {
                    format!("soak {minutes} minutes in {} ml: {names}", millilitres.decimal(0))
                }
                PotAct::BoilFirst { minutes } => format!("boil alone {minutes} minutes: {names}"),
                PotAct::Boil { minutes, gentle } => {
                    format!("boil {}{minutes} minutes: {names}", if *gentle { "gently " } else { "" })
                }
                PotAct::AddLast { minutes } => format!("for the last {minutes} minutes: {names}"),
                PotAct::Strain { millilitres } => format!("strain {} ml", millilitres.decimal(0)),
                PotAct::BoilAgain { millilitres, minutes, .. } => {
                    format!("boil again {minutes} minutes with {} ml", millilitres.decimal(0))
                }
                PotAct::Combine { millilitres } => format!("both together: {} ml", millilitres.decimal(0)),
                PotAct::MeltIn => format!("melt in: {names}"),
                PotAct::CookApart { minutes } => format!("cook apart {minutes} minutes: {names}"),
                PotAct::TakeWith => format!("taken with the liquid: {names}"),
                PotAct::Divide { doses, millilitres } => format!("{doses} doses of {} ml", millilitres.decimal(0)),
            };
            hang(&format!("{:>4} min  {what}", step.at), 0, 10, &mut text);
        }
    }
    if let Some(b) = priced {
        text.push_str(&heading("Price"));
        for l in &b.lines {
            if let (Some(line), Some(price)) = (p.lines.get(l.line), l.price) {
                let each = l.a_gram.map_or(String::new(), |g| format!(" ({g} a gram)"));
                text.push_str(&format!("    {} {price}{each}\n", pad(&line.name, 30)));
            }
        }
        text.push_str(&format!(
            "    goods {}, discount {}, fees {}, tax {}: to pay {} ({} a day, {} a pack); cost {}\n",
            b.goods, b.discount, b.fees, b.tax, b.total, b.a_day, b.a_pack, b.cost
        ));
        for n in &b.unpriced {
            text.push_str(&format!("    no price: {}\n", p.lines[*n].name));
        }
    }
    text
}

/// One line of a batch.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Job {
    prescription: String,
    days: u32,
    #[serde(default, rename = "as")]
    preparation: Option<String>,
    number: String,
    #[serde(default)]
    name: String,
    #[serde(default)]
    born: String,
    #[serde(default)]
    prescriber: String,
    #[serde(default)]
    patient: Patient,
}

/// Worksheets of many dispensings in one PDF. A line that cannot be dispensed is told and left out.
fn batch(s: &Session, book: &fangwright_safety::Rulebook, args: &DispenseArgs, path: &Path) -> Result<i32, Failure> {
    let m = s.m();
    let text = text_of(path)?;
    let lines: Vec<(usize, &str)> = text.lines().enumerate().filter(|(_, l)| !l.trim().is_empty()).collect();
    let press = args.paper.press()?;
    let clinic = args.paper.clinic()?;
    let (language, label) = (args.paper.language()?, args.paper.label()?);
    let ledger = match &args.book {
        None => None,
        Some(path) => Some(Ledger::open(FileLog::open(path).map_err(LedgerError::from)?)?),
    };
    let bar = indicatif::ProgressBar::new(lines.len() as u64);
    let mut all: Vec<fangwright_print::Pages> = Vec::new();
    let mut told: Vec<String> = Vec::new();
    let one = |line: &str| -> Result<serde_json::Value, String> {
        let job: Job = serde_json::from_str(line).map_err(|e| e.to_string())?;
        let rx = fangwright_formula::read(m, &job.prescription);
        if let Some(d) = rx.diagnostics.iter().find(|d| d.weight == fangwright_formula::Weight::Error) {
            return Err(d.message.clone());
        }
        let mut making = args.making.clone();
        if let Some(p) = job.preparation {
            making.preparation = p;
        }
        let mut case = Case::of_prescription(m, &rx, &s.conventions);
        case.days = Some(job.days);
        case.form = m.library().dispensing.preparation(&making.preparation).map(|p| p.form);
        let facts = Facts::new(book, &job.patient).map_err(|e| e.to_string())?;
        let report = book.check(m, &case, &facts, &[]);
        if report.stands() {
            let first = report.findings.first().map_or(String::new(), |f| f.title.clone());
            return Err(format!("a finding stands: {first}"));
        }
        let (items, unweighed) = prescribed(&case);
        if let Some(n) = unweighed.first() {
            return Err(format!("{} has no weight", fangwright_formula::label(m, case.portions[*n].substance)));
        }
        let order = making.order(job.days, &job.patient, &facts).map_err(|e| e.message)?;
        let made = plan(m, &items, &order, ledger.as_ref().map(Ledger::stock)).map_err(|e| e.to_string())?;
        if let Some(r) = made.remarks.iter().find(|r| r.weight == Weight::Stop) {
            return Err(r.text.clone());
        }
        let findings = printed(&report);
        let person = Person { name: job.name, born: job.born };
        let ticket = Ticket {
            number: &job.number,
            date: order.day,
            clinic: &clinic,
            patient: &person,
            prescriber: &job.prescriber,
            dispenser: &args.paper.dispenser,
            plan: &made,
            bill: None,
            stock: ledger.as_ref().map(Ledger::stock),
            findings: &findings,
            language,
            large: args.paper.large,
            label,
        };
        Ok(pages_data(m, &ticket))
    };
    // Set on all cores, kept in order.
    let done: Vec<Result<fangwright_print::Pages, String>> = lines
        .par_iter()
        .map(|(_, line)| {
            let set = one(line).and_then(|data| press.set("worksheet.typ", &data).map_err(|e| e.to_string()));
            bar.inc(1);
            set
        })
        .collect();
    bar.finish_and_clear();
    for ((number, _), set) in lines.iter().zip(done) {
        match set {
            Ok(pages) => all.push(pages),
            Err(e) => told.push(format!("{}:{}: {e}", path.display(), number + 1)),
        }
    }
    for line in &told {
        eprintln!("left out: {line}");
    }
    let Some(pages) = fangwright_print::Pages::joined(all) else {
        return Err("no line could be dispensed, so nothing was written".to_string().into());
    };
    let into = args.paper.into.clone().unwrap_or_else(|| PathBuf::from("worksheets.pdf"));
    let pdf = press.pdf(&pages, false).map_err(|e| e.to_string())?;
    std::fs::write(&into, &pdf).map_err(|e| format!("{} cannot be written: {e}", into.display()))?;
    if !s.json {
        out(&format!(
            "{} worksheets on {} pages are in {}.\n",
            lines.len() - told.len(),
            pages.count(),
            into.display()
        ));
    }
    Ok(i32::from(!told.is_empty()))
}

/// Writes the shipped templates into a folder, for a clinic to change.
pub fn templates(into: &Path) -> Result<bool, Failure> {
    std::fs::create_dir_all(into).map_err(|e| format!("{} cannot be made: {e}", into.display()))?;
    for (name, text) in fangwright_print::TEMPLATES {
        let path = into.join(name);
        if path.exists() {
            return Err(format!("{} is there already; nothing is written over it", path.display()).into());
        }
        crate::run::write_file(&path, text)?;
        out(&format!("{}\n", path.display()));
    }
    Ok(true)
}
