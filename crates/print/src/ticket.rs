//! What a page says: a dispensing with its people, turned into the plain data that templates read.

use fangwright_amount::Rational;
use fangwright_dispense::{Bill, Measure, Plan, PlanLine, PotAct, RatioFrom, Stock, Weight};
use fangwright_materia::Materia;
use fangwright_materia::records::{Advice, Fit, Form, Pot, Text3};
use jiff::civil::Date;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use serde_json::{Value, json};

/// The language of a page.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Language {
    /// English.
    #[default]
    En,
    /// Chinese, simplified characters.
    Zh,
    /// Chinese, traditional characters.
    ZhHant,
}

impl Language {
    /// `en`, `zh` or `zh-hant`.
    pub fn from_word(word: &str) -> Option<Language> {
        match word.to_lowercase().as_str() {
            "en" => Some(Language::En),
            "zh" | "zh-hans" | "zh-cn" => Some(Language::Zh),
            "zh-hant" | "zh-tw" | "zh-hk" => Some(Language::ZhHant),
            _ => None,
        }
    }

    fn of<'a>(self, en: &'a str, zh: &'a str, zh_hant: &'a str) -> &'a str {
        match self {
            Language::En => en,
            Language::Zh => zh,
            Language::ZhHant => zh_hant,
        }
    }

    fn text(self, t: &Text3) -> String {
        self.of(&t.en, &t.zh, &t.zh_hant).to_string()
    }
}

/// Who dispenses.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, default)]
pub struct Clinic {
    /// Name.
    pub name: String,
    /// Address, one line.
    pub address: String,
    /// Telephone.
    pub phone: String,
}

/// For whom.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, default)]
pub struct Person {
    /// Name, in any script.
    pub name: String,
    /// Birth date as it is to be printed.
    pub born: String,
}

/// A label's paper.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct LabelSize {
    /// Millimetres.
    pub width: u32,
    /// Millimetres.
    pub height: u32,
    /// Millimetres that stay white at each side.
    pub margin: u32,
}

impl LabelSize {
    /// Usual papers: small, bottle, bag, large.
    pub const USUAL: [(&'static str, LabelSize); 4] = [
        ("small", LabelSize { width: 62, height: 40, margin: 2 }),
        ("bottle", LabelSize { width: 89, height: 50, margin: 3 }),
        ("bag", LabelSize { width: 100, height: 70, margin: 4 }),
        ("large", LabelSize { width: 148, height: 105, margin: 6 }),
    ];

    /// One of the usual papers, or `80x45` in millimetres.
    pub fn from_word(word: &str) -> Option<LabelSize> {
        if let Some((_, size)) = Self::USUAL.iter().find(|(w, _)| *w == word) {
            return Some(*size);
        }
        let (w, h) = word.split_once(['x', '×'])?;
        let (width, height) = (w.trim().parse().ok()?, h.trim().parse().ok()?);
        let good = (15..=420).contains(&width) && (10..=420).contains(&height);
        good.then_some(LabelSize { width, height, margin: 2 })
    }
}

/// A finding of the safety check, as a page prints it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct PrintedFinding {
    /// Severity word.
    pub severity: String,
    /// The text.
    pub text: String,
    /// Why it was set aside, if it was.
    pub reason: String,
}

/// Everything that a page of one dispensing may say.
#[derive(Debug, Clone)]
pub struct Ticket<'a> {
    /// Dispensing number, which the bar code holds.
    pub number: &'a str,
    /// The day.
    pub date: Date,
    /// Who dispenses.
    pub clinic: &'a Clinic,
    /// For whom.
    pub patient: &'a Person,
    /// Who prescribed.
    pub prescriber: &'a str,
    /// Who dispenses it.
    pub dispenser: &'a str,
    /// The plan.
    pub plan: &'a Plan,
    /// The bill, where there is one.
    pub bill: Option<&'a Bill>,
    /// Stock, for lots and their expiry.
    pub stock: Option<&'a Stock>,
    /// Findings of the safety check that stand or were set aside.
    pub findings: &'a [PrintedFinding],
    /// Language of the page.
    pub language: Language,
    /// Large print.
    pub large: bool,
    /// Paper of a label.
    pub label: LabelSize,
}

/// A QR code (ISO/IEC 18004) with medium correction, as SVG, quiet zone of four modules included. Empty where the text is too
/// long for any code.
pub fn bar_code(text: &str) -> String {
    let built = fast_qr::QRBuilder::new(text).ecl(fast_qr::ECL::M).build();
    let Ok(code) = built else { return String::new() };
    let mut path = String::new();
    for y in 0..code.size {
        let mut x = 0;
        while x < code.size {
            let run = (x..code.size).take_while(|x| code[y][*x].value()).count();
            if run > 0 {
                path.push_str(&format!("M{} {}h{run}v1h-{run}z", x + 4, y + 4));
            }
            x += run.max(1);
        }
    }
    let size = code.size + 8;
    format!("<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {size} {size}\"><path d=\"{path}\"/></svg>")
}

struct Words<'a> {
    m: &'a Materia,
    language: Language,
}

impl Words<'_> {
    fn say(&self, key: &str, fill: &[(&str, &str)]) -> String {
        let d = &self.m.library().dispensing;
        let found = d.phrase.iter().find(|p| p.id == key);
        let mut text =
            found.map_or_else(|| key.to_string(), |p| self.language.of(&p.en, &p.zh, &p.zh_hant).to_string());
        for (name, value) in fill {
            text = text.replace(&format!("{{{name}}}"), value);
        }
        text
    }
}

fn grams(x: Rational) -> String {
    format!("{} g", x.decimal(3))
}

/// Rounded to the next ten: a household measures no finer.
fn about_ml(x: Rational) -> String {
    let tens = x.over(Rational::from(10)).map_or(0, Rational::round);
    if tens == 0 { x.decimal(0) } else { (tens * 10).to_string() }
}

/// The data of a page. `docs/templates.md` tells its shape.
pub fn pages_data(m: &Materia, t: &Ticket<'_>) -> Value {
    let d = &*m.library().dispensing;
    let w = Words { m, language: t.language };
    let plan = t.plan;
    let prep = d.preparation(&plan.preparation);
    let form = prep.map_or(Form::Decoction, |p| p.form);
    let zh = t.language != Language::En;
    let name_of = |line: &PlanLine| -> String {
        match line.substance {
            Some(s) => {
                let r = m.substance(s);
                match t.language {
                    Language::En => format!("{} {}", r.pinyin, r.hanzi),
                    Language::Zh => r.hanzi.clone(),
                    Language::ZhHant => r.traditional.clone(),
                }
            }
            None => line.name.clone(),
        }
    };
    let lines: Vec<Value> = plan
        .lines
        .iter()
        .enumerate()
        .map(|(n, l)| {
            let r = l.substance.map(|s| m.substance(s));
            let handling = |pots: &[Pot], sheet: bool| -> String {
                let each = pots.iter().filter_map(|p| {
                    let h = fangwright_dispense::handling(d, r?, *p)?;
                    Some(if zh || sheet && t.language != Language::En {
                        h.worksheet_zh.clone()
                    } else {
                        h.worksheet_en.clone()
                    })
                });
                each.collect::<Vec<_>>().join("; ")
            };
            let lots: Vec<String> = l
                .picks
                .iter()
                .map(|p| {
                    let state = t.stock.and_then(|s| s.lot_of(p));
                    let expiry = state.map_or(String::new(), |s| s.lot.expiry.to_string());
                    let place = state.map_or(String::new(), |s| s.lot.location.clone());
                    let place = if place.is_empty() { place } else { format!(" [{place}]") };
                    format!("{} {} {}{}", p.lot, expiry, grams(p.grams), place)
                })
                .collect();
            let weighed = match (l.measure, l.count) {
                (Measure::Sachets, Some(c)) => w.say("sachets", &[("n", &c.to_string())]),
                (Measure::Spoons, Some(c)) => w.say("spoons", &[("n", &c.to_string())]),
                _ => grams(l.weighed),
            };
            let ratio = match l.ratio_from {
                RatioFrom::None => String::new(),
                RatioFrom::Stock => w.say("ratio", &[("ratio", &l.ratio.decimal(3))]),
                RatioFrom::Usual => format!(
                    "{}; {}",
                    w.say("ratio", &[("ratio", &l.ratio.decimal(3))]),
                    w.say("ratio-usual", &[])
                ),
            };
            json!({
                "no": n + 1,
                "hanzi": r.map_or(l.name.clone(), |r| if t.language == Language::ZhHant { r.traditional.clone() } else { r.hanzi.clone() }),
                "pinyin": r.map_or("", |r| r.pinyin.as_str()),
                "latin": r.map_or("", |r| r.latin.as_str()),
                "english": r.map_or("", |r| r.english.as_str()),
                "raw": grams(l.raw),
                "weighed": weighed,
                "course": grams(l.course),
                "exact": grams(l.exact),
                "product": l.product.clone().unwrap_or_default(),
                "ratio": ratio,
                "lots": lots,
                "handling": handling(&l.handling, true),
                "worksheet": handling(&l.handling, false),
            })
        })
        .collect();
    let days = plan.days.to_string();
    let doses = plan.doses.to_string();
    let f = &plan.finished;
    // What one dose is, in words.
    let dose_ml = plan.cooking.as_ref().map(|c| c.dose_ml).or(f.dose_ml);
    let quantity = match form {
        Form::Decoction | Form::Draft | Form::External => {
            w.say("quantity-packs", &[("packs", &plan.packs.to_string())])
        }
        _ => match (f.units, f.unit_grams, f.batch_ml, f.batch_grams) {
            (Some(n), Some(g), ..) => w.say("quantity-pills", &[("units", &n.to_string()), ("grams", &g.decimal(3))]),
            (_, _, Some(ml), _) => w.say("quantity-ml", &[("ml", &ml.decimal(0))]),
            (_, _, _, Some(g)) => w.say("quantity-grams", &[("grams", &g.decimal(1))]),
            _ => format!(
                "{}, {}",
                w.say("quantity-grams", &[("grams", &plan.weighed.decimal(2))]),
                w.say("quantity-sachets", &[("days", &days)])
            ),
        },
    };
    let per_dose = |total: Rational| -> String {
        let n = Rational::from(i128::from(plan.days) * i128::from(plan.doses));
        total.over(n).map_or(String::new(), |g| g.decimal(2))
    };
    let dose = match form {
        Form::Decoction | Form::Draft => {
            let ml = dose_ml.map_or(String::new(), about_ml);
            w.say("dir-decoction", &[("ml", &ml), ("doses", &doses)])
        }
        Form::External => w.say("dir-external", &[("doses", &doses)]),
        Form::Granules => w.say("dir-granules", &[("grams", &per_dose(plan.weighed)), ("doses", &doses)]),
        Form::Pill if !f.units_a_dose.is_empty() => {
            let mut each: Vec<String> = f.units_a_dose.iter().map(ToString::to_string).collect();
            each.dedup();
            w.say("dir-pills", &[("units", &each.join("–")), ("doses", &doses)])
        }
        _ => match (f.dose_ml, f.dose_grams) {
            (Some(ml), _) => w.say("dir-ml", &[("ml", &ml.decimal(1)), ("doses", &doses)]),
            (None, Some(g)) => w.say("dir-powder", &[("grams", &g.decimal(2)), ("doses", &doses)]),
            (None, None) => w.say("dir-grams", &[("grams", &per_dose(plan.weighed)), ("doses", &doses)]),
        },
    };
    let for_days = w.say("dir-days", &[("days", &days)]);
    let names = |list: &[usize]| -> String {
        let each: Vec<String> = list.iter().filter_map(|n| plan.lines.get(*n)).map(&name_of).collect();
        each.join(if zh { "、" } else { ", " })
    };
    // The pot, in words.
    let mut cook: Vec<Value> = Vec::new();
    let mut vessel: Vec<String> = Vec::new();
    if let Some(c) = &plan.cooking {
        let chosen = c.vessel.as_ref().and_then(|id| d.vessel.iter().find(|v| v.id == *id));
        let pot = match chosen.filter(|v| v.fit != Fit::Never) {
            Some(v) => t.language.of(&v.en, &v.zh, &v.zh_hant).to_lowercase(),
            None => w.say("pot-default", &[]),
        };
        for s in &c.steps {
            let list = names(&s.lines);
            let minutes = |n: &u32| n.to_string();
            let text = match &s.what {
                PotAct::Soak { millilitres, minutes: n } => {
                    let mut text =
                        w.say("soak", &[("vessel", &pot), ("ml", &millilitres.decimal(0)), ("minutes", &minutes(n))]);
                    let later: Vec<usize> = c
                        .steps
                        .iter()
                        .filter(|x| matches!(x.what, PotAct::AddLast { .. }))
                        .flat_map(|x| x.lines.clone())
                        .collect();
                    let wrapped: Vec<usize> =
                        s.lines.iter().copied().filter(|n| plan.lines[*n].handling.contains(&Pot::Wrap)).collect();
                    for (key, list) in [("wrap", &wrapped), ("soak-names", &later)] {
                        if !list.is_empty() {
                            text.push_str(if zh { "" } else { " " });
                            text.push_str(&w.say(key, &[("names", &names(list))]));
                        }
                    }
                    text
                }
                PotAct::BoilFirst { minutes: n } => w.say("boil-first", &[("names", &list), ("minutes", &minutes(n))]),
                PotAct::Boil { minutes: n, gentle } => {
                    w.say(if *gentle { "boil-gentle" } else { "boil" }, &[("minutes", &minutes(n))])
                }
                PotAct::AddLast { minutes: n } => w.say("add-last", &[("names", &list), ("minutes", &minutes(n))]),
                PotAct::Strain { millilitres } => w.say("strain", &[("ml", &about_ml(*millilitres))]),
                PotAct::BoilAgain { millilitres, minutes: n, .. } => {
                    w.say("boil-again", &[("ml", &millilitres.decimal(0)), ("minutes", &minutes(n))])
                }
                PotAct::Combine { millilitres } => w.say("combine", &[("ml", &about_ml(*millilitres))]),
                PotAct::MeltIn => w.say("melt-in", &[("names", &list)]),
                PotAct::CookApart { minutes: n } => w.say("cook-apart", &[("names", &list), ("minutes", &minutes(n))]),
                PotAct::TakeWith => w.say("take-with", &[("names", &list)]),
                PotAct::Divide { doses, millilitres } => {
                    w.say("divide", &[("doses", &doses.to_string()), ("ml", &about_ml(*millilitres))])
                }
            };
            let words: Vec<String> = s.words.iter().map(|x| t.language.text(x)).collect();
            cook.push(json!({ "at": s.at, "text": text, "words": words }));
        }
        for warning in c.warnings.iter().filter(|x| x.grave) {
            let list = names(&warning.lines);
            let text = t.language.text(&warning.text);
            vessel.push(if list.is_empty() { text } else { format!("{list}: {text}") });
        }
        vessel.push(w.say("vessel-never", &[]));
    }
    // Making, for the worksheet.
    let mut making: Vec<String> = Vec::new();
    if let Some(honey) = f.honey {
        making.push(w.say("make-honey", &[("grams", &honey.decimal(1))]));
    }
    if let (Some(n), Some(g)) = (f.units, f.unit_grams) {
        making.push(w.say("make-pills", &[("units", &n.to_string()), ("grams", &g.decimal(3))]));
    }
    if let (Some(ml), Some(strength), Some(spirit)) = (f.solvent_ml, f.strength, f.spirit_ml) {
        let fill = [("ml", ml.decimal(0)), ("strength", strength.decimal(1)), ("spirit", spirit.decimal(0))];
        let fill: Vec<(&str, &str)> = fill.iter().map(|(k, v)| (*k, v.as_str())).collect();
        making.push(w.say("make-solvent", &fill));
    }
    if let Some(n) = f.steep_days {
        making.push(w.say("make-steep", &[("days", &n.to_string())]));
    }
    if let (Some([a, b]), Some(ml)) = (f.sugar, f.batch_ml) {
        let fill = [("least", a.decimal(0)), ("most", b.decimal(0)), ("ml", ml.decimal(0))];
        let fill: Vec<(&str, &str)> = fill.iter().map(|(k, v)| (*k, v.as_str())).collect();
        making.push(w.say("make-sugar", &fill));
    }
    if form == Form::Granules || form == Form::Powder {
        let n = (u64::from(plan.days) * u64::from(plan.doses)).to_string();
        let total = f.batch_grams.unwrap_or(plan.weighed);
        making.push(w.say("make-divide", &[("n", &n), ("grams", &per_dose(total))]));
    }
    if let Some(note) = prep.and_then(|p| p.makers_note.as_ref()) {
        making.push(if zh { note.zh.clone() } else { note.en.clone() });
    }
    // Advice that this prescription asks for.
    let applies = |a: &Advice| {
        let nothing = a.actions.is_empty() && a.substances.is_empty() && a.preparations.is_empty();
        let ingredient = plan.lines.iter().filter_map(|l| l.substance).any(|s| {
            let r = m.substance(s);
            let root = &m.substance(m.raw_form(s)).id;
            a.substances.contains(&r.id)
                || a.substances.contains(root)
                || r.actions.iter().take(2).any(|x| a.actions.contains(x))
        });
        nothing || ingredient || a.preparations.contains(&plan.preparation)
    };
    let advice = |topic: &str| -> Vec<String> {
        let of = d.advice.iter().filter(|a| a.topic == topic && applies(a));
        of.map(|a| t.language.of(&a.en, &a.zh, &a.zh_hant).to_string()).collect()
    };
    let how = prep.map(|p| t.language.text(&p.how)).unwrap_or_default();
    let mut take = vec![format!("{dose} {for_days}"), how];
    take.extend(advice("take"));
    let mut avoid = advice("avoid");
    if let Some(c) = prep.and_then(|p| p.cautions.as_ref()) {
        avoid.insert(0, t.language.text(c));
    }
    if let Some(g) = f.alcohol_a_day {
        avoid.insert(0, w.say("sheet-alcohol", &[("grams", &g.decimal(1))]));
    }
    let prep_name = prep.map_or(plan.preparation.clone(), |p| t.language.of(&p.en, &p.zh, &p.zh_hant).to_string());
    let fill = [
        ("preparation", prep_name.clone()),
        ("days", days.clone()),
        ("doses", doses.clone()),
        ("date", t.date.to_string()),
    ];
    let fill: Vec<(&str, &str)> = fill.iter().map(|(k, v)| (*k, v.as_str())).collect();
    let what = vec![w.say("what-line", &fill)];
    let remarks: Vec<Value> = plan
        .remarks
        .iter()
        .filter(|r| r.weight != Weight::Note)
        .map(|r| {
            let key = if r.weight == Weight::Stop { "weight-stop" } else { "weight-warn" };
            json!({ "weight": w.say(key, &[]), "text": r.text })
        })
        .collect();
    let step = plan.lines.iter().filter(|l| l.measure == Measure::Scale).map(|l| l.unit).next();
    let rounding = w.say(
        "rounding",
        &[
            ("step", &step.unwrap_or(Rational::ONE).decimal(3)),
            ("exact", &plan.exact.decimal(4)),
            ("weighed", &plan.weighed.decimal(3)),
            ("error", &plan.largest_error.decimal(4)),
        ],
    );
    let raw_total = plan.lines.iter().try_fold(Rational::ZERO, |sum, l| sum.plus(l.raw)).unwrap_or(Rational::ZERO);
    let course_total =
        plan.lines.iter().try_fold(Rational::ZERO, |sum, l| sum.plus(l.course)).unwrap_or(Rational::ZERO);
    let storage = if plan.fridge && plan.packs == 1 { "keep-fridge" } else { "keep-dry" };
    // A label carries the gravest cautions only; the sheet has the rest.
    let label_cautions: Vec<String> = t
        .findings
        .iter()
        .filter(|x| x.severity == "deadly" || x.severity == "grave")
        .map(|x| x.text.clone())
        .chain(f.alcohol_a_day.map(|g| w.say("sheet-alcohol", &[("grams", &g.decimal(1))])))
        .take(3)
        .collect();
    let findings: Vec<Value> = t
        .findings
        .iter()
        .map(|x| {
            let key = format!("severity-{}", x.severity.replace(' ', "-"));
            json!({ "severity": w.say(&key, &[]), "text": x.text, "reason": x.reason })
        })
        .collect();
    let words: serde_json::Map<String, Value> =
        d.phrase.iter().map(|p| (p.id.clone(), Value::from(t.language.of(&p.en, &p.zh, &p.zh_hant)))).collect();
    let (lang, region) = match t.language {
        Language::En => ("en", "GB"),
        Language::Zh => ("zh", "CN"),
        Language::ZhHant => ("zh", "TW"),
    };
    json!({
        "lang": lang,
        "region": region,
        "large": t.large,
        "words": words,
        "number": t.number,
        "code": bar_code(t.number),
        "date": t.date.to_string(),
        "clinic": t.clinic,
        "patient": t.patient,
        "prescriber": t.prescriber,
        "dispenser": t.dispenser,
        "preparation": prep_name,
        "days": days,
        "doses": doses,
        "packs": plan.packs.to_string(),
        "quantity": quantity,
        "use_by": plan.keep_until.map_or(String::new(), |x| x.to_string()),
        "storage": w.say(storage, &[]),
        "external": form == Form::External,
        "lines": lines,
        "raw_total": grams(raw_total),
        "each": w.say(
            if matches!(form, Form::Decoction | Form::Draft | Form::External) { "each-pack" } else { "whole-batch" },
            &[],
        ),
        "weighed_total": grams(plan.weighed),
        "course_total": grams(course_total),
        "rounding": rounding,
        "directions": [dose.clone(), for_days.clone()],
        "label_directions": [dose, for_days],
        "label_cautions": label_cautions,
        "findings": findings,
        "remarks": remarks,
        "making": making,
        "what": what,
        "cook": cook,
        "vessel": vessel,
        "take": take,
        "avoid": avoid,
        "stop": advice("stop"),
        "price": t.bill.map_or(String::new(), |b| b.total.to_string()),
        "label": t.label,
    })
}
