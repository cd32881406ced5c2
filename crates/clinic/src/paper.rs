//! One person's whole record on paper: the plain data that the template `record.typ` reads.
//!
//! Nothing is left out: what was not asked is said to be not asked, what names a record that is not there says which, and
//! a number stands as it was written or as a fraction, never rounded. Words of the page come from
//! `data/dispensing/phrases.toml`.

use std::collections::BTreeMap;

use fangwright_amount::Rational;
use fangwright_materia::Materia;
use fangwright_materia::records::{Form, Phrase};
use fangwright_safety::{Exact, Override};
use jiff::Timestamp;
use jiff::civil::Date;
use serde_json::{Map, Value, json};

use crate::model::{
    Answer, Appointment, Attachment, Better, Body, Condition, Consent, Dispensing, FullNames, Kept, Measure, Medicine,
    Person, Prescription, Purpose, Reading, RxLine, Sex, Shows, Signature, Visit, Whole,
};

/// The data of the pages of one person's whole record, for the template `record.typ`.
///
/// `language` is `en`, `zh` or `zh-hant`; any other word counts as `en`. `pictures` names the attachments that have a
/// picture to print, by id, each with the name of the file under which the template finds it; an attachment without one
/// is listed only. `printed_on` is the day the page says, and the one the age is of. Times are in UTC and say so.
///
/// A row is `{key, state, items}`: `key` is the id of a phrase, `state` is `given`, `none`, `not-asked` or
/// `not-written`, and `items` are the words to print, never empty.
pub fn record_pages(
    m: &Materia,
    whole: &Whole,
    names: &FullNames,
    clinic_name: &str,
    language: &str,
    pictures: &[(String, String)],
    printed_on: Date,
) -> Value {
    let p = Paper::new(m, whole, names, Tongue::from_word(language), pictures);
    let person = &whole.person.record;
    let (lang, region) = p.tongue.code();
    let mut page = json!({
        "lang": lang,
        "region": region,
        "large": false,
        "words": p.words(),
        "clinic": { "name": clinic_name },
        "printed": p.say("record-printed", &[("date", &printed_on.to_string())]),
        "title": p.say("record-of", &[("name", person.name())]),
        "name": person.name(),
        "number": if person.number.is_empty() { &whole.person.id } else { &person.number },
        "born": person.born.map_or(String::new(), |d| d.to_string()),
        "written": p.written(&whole.person),
        "holds": p.holds(),
        "person": p.person(person, printed_on),
        "known": p.known(person),
        "consents": person.consents.iter().map(|c| p.consent(c)).collect::<Vec<_>>(),
        "visits": whole.visits.iter().map(|v| p.visit(v)).collect::<Vec<_>>(),
        "prescriptions_apart": p.prescriptions(|rx| !p.has_visit(rx.visit.as_deref())),
        "dispensings_apart": p.dispensings(|d| !p.rx_no.contains_key(d.prescription.as_str())),
        "measures": p.measures(),
        "appointments": whole.appointments.iter().map(|a| p.appointment(&a.record)).collect::<Vec<_>>(),
        "attachments": whole.attachments.iter().map(|a| p.attachment(a)).collect::<Vec<_>>(),
    });
    clean(&mut page);
    page
}

/// The language of the page.
#[derive(Clone, Copy, PartialEq)]
enum Tongue {
    En,
    Zh,
    ZhHant,
}

impl Tongue {
    fn from_word(word: &str) -> Tongue {
        match word.to_lowercase().as_str() {
            "zh" | "zh-hans" | "zh-cn" => Tongue::Zh,
            "zh-hant" | "zh-tw" | "zh-hk" => Tongue::ZhHant,
            _ => Tongue::En,
        }
    }

    fn code(self) -> (&'static str, &'static str) {
        match self {
            Tongue::En => ("en", "GB"),
            Tongue::Zh => ("zh", "CN"),
            Tongue::ZhHant => ("zh", "TW"),
        }
    }

    fn of<'a>(self, en: &'a str, zh: &'a str, zh_hant: &'a str) -> &'a str {
        match self {
            Tongue::En => en,
            Tongue::Zh => zh,
            Tongue::ZhHant => zh_hant,
        }
    }
}

/// What every part of the page needs.
struct Paper<'a> {
    m: &'a Materia,
    whole: &'a Whole,
    names: &'a FullNames,
    tongue: Tongue,
    phrases: BTreeMap<&'a str, &'a Phrase>,
    visit_no: BTreeMap<&'a str, usize>,
    rx_no: BTreeMap<&'a str, usize>,
    pictures: BTreeMap<&'a str, &'a str>,
}

fn numbered<B>(all: &[Kept<B>]) -> BTreeMap<&str, usize> {
    all.iter().enumerate().map(|(n, k)| (k.id.as_str(), n + 1)).collect()
}

/// Takes out signs that have no shape on paper; a line break stays.
fn clean(value: &mut Value) {
    match value {
        Value::String(text) if text.contains(char::is_control) => {
            *text = text.replace("\r\n", "\n").replace('\r', "\n").replace('\t', " ");
            text.retain(|c| c == '\n' || !c.is_control());
        }
        Value::Array(list) => list.iter_mut().for_each(clean),
        Value::Object(map) => map.values_mut().for_each(clean),
        _ => {}
    }
}

/// Fills `{x}` in one pass, so that braces in what is filled in stay as they are.
fn filled(text: &str, fill: &[(&str, &str)]) -> String {
    let mut out = String::new();
    let mut rest = text;
    while let Some((before, after)) = rest.split_once('{') {
        out.push_str(before);
        let found = fill.iter().find_map(|(k, v)| Some((v, after.strip_prefix(k)?.strip_prefix('}')?)));
        if let Some((value, after)) = found {
            out.push_str(value);
            rest = after;
        } else {
            out.push('{');
            rest = after;
        }
    }
    out + rest
}

/// As a decimal where it is one, else as a fraction: on paper nothing is rounded.
fn exact(x: Rational) -> String {
    let decimal = x.decimal(9);
    if decimal.parse() == Ok(x) { decimal } else { x.to_string() }
}

fn written(text: &str) -> bool {
    !text.trim().is_empty()
}

fn row(key: &str, state: &str, items: Vec<String>) -> Value {
    json!({ "key": key, "state": state, "items": items })
}

fn given(key: &str, text: impl Into<String>) -> Value {
    row(key, "given", vec![text.into()])
}

/// Rows of what is written, and the keys of what is not.
#[derive(Default)]
struct Rows {
    rows: Vec<Value>,
    missing: Vec<&'static str>,
}

impl Rows {
    fn text(&mut self, key: &'static str, text: &str) {
        let list = if written(text) { vec![text.to_string()] } else { Vec::new() };
        self.list(key, list);
    }

    fn list(&mut self, key: &'static str, items: Vec<String>) {
        if items.is_empty() {
            self.missing.push(key);
        } else {
            self.rows.push(row(key, "given", items));
        }
    }

    /// A row that is not missed where it is empty.
    fn maybe(&mut self, key: &'static str, items: Vec<String>) {
        if !items.is_empty() {
            self.rows.push(row(key, "given", items));
        }
    }
}

impl<'a> Paper<'a> {
    fn new(
        m: &'a Materia,
        whole: &'a Whole,
        names: &'a FullNames,
        tongue: Tongue,
        pictures: &'a [(String, String)],
    ) -> Paper<'a> {
        Paper {
            m,
            whole,
            names,
            tongue,
            phrases: m.library().dispensing.phrase.iter().map(|p| (p.id.as_str(), p)).collect(),
            visit_no: numbered(&whole.visits),
            rx_no: numbered(&whole.prescriptions),
            pictures: pictures.iter().map(|(id, file)| (id.as_str(), file.as_str())).collect(),
        }
    }

    fn words(&self) -> Map<String, Value> {
        let of = |p: &Phrase| Value::from(self.tongue.of(&p.en, &p.zh, &p.zh_hant));
        self.phrases.iter().map(|(id, p)| ((*id).to_string(), of(p))).collect()
    }

    fn say(&self, key: &str, fill: &[(&str, &str)]) -> String {
        let text = self.phrases.get(key).map_or(key, |p| self.tongue.of(&p.en, &p.zh, &p.zh_hant));
        filled(text, fill)
    }

    /// The phrase `prefix-word` where there is one, else the word itself.
    fn word(&self, prefix: &str, word: &str) -> String {
        let key = format!("{prefix}-{}", word.replace(' ', "-"));
        if self.phrases.contains_key(key.as_str()) { self.say(&key, &[]) } else { word.to_string() }
    }

    /// The data has these terms in one Chinese script only.
    fn term(&self, en: &str, zh: &str) -> String {
        self.tongue.of(en, zh, zh).to_string()
    }

    fn yes(&self, yes: bool) -> String {
        self.say(if yes { "record-yes" } else { "record-no" }, &[])
    }

    fn who(&self, account: &str) -> String {
        self.names.get(account).filter(|n| written(n)).map_or(account, String::as_str).to_string()
    }

    fn at(&self, at: Timestamp) -> String {
        self.say("record-utc", &[("time", &at.strftime("%Y-%m-%d %H:%M").to_string())])
    }

    fn written<B>(&self, k: &Kept<B>) -> String {
        let (n, at, name) = (k.version.to_string(), self.at(k.written), self.who(&k.by));
        self.say("record-written", &[("n", &n), ("at", &at), ("name", &name)])
    }

    fn elsewhere(&self, id: &str) -> String {
        self.say("record-elsewhere", &[("id", id)])
    }

    fn visit_name(&self, id: &str) -> String {
        match self.visit_no.get(id) {
            Some(n) => self.say("record-visit", &[("n", &n.to_string())]),
            None => self.elsewhere(id),
        }
    }

    fn has_visit(&self, id: Option<&str>) -> bool {
        id.is_some_and(|id| self.visit_no.contains_key(id))
    }

    fn rx_name(&self, id: &str) -> String {
        match self.rx_no.get(id) {
            Some(n) => self.say("record-rx", &[("n", &n.to_string())]),
            None => self.elsewhere(id),
        }
    }

    fn finding(&self, id: &str) -> String {
        self.m.library().findings.get(id).map_or(id.to_string(), |f| self.term(&f.en, &f.zh))
    }

    fn pattern(&self, id: &str) -> String {
        self.m.library().patterns.get(id).map_or(id.to_string(), |p| self.term(&p.en, &p.zh))
    }

    /// A state, disease, allergy or diet by its id; what is no id stands as written.
    fn condition(&self, name: &str) -> String {
        self.m.library().safety.conditions.get(name).map_or(name.to_string(), |c| self.term(&c.en, &c.zh))
    }

    /// Name in hanzi and in pinyin of a substance or a formula.
    fn herb(&self, id: &str) -> Option<(&'a str, &'a str)> {
        let of = |hanzi: &'a str, traditional: &'a str| self.tongue.of(hanzi, hanzi, traditional);
        if let Some(s) = self.m.substance_by_id(id).map(|ix| self.m.substance(ix)) {
            return Some((of(&s.hanzi, &s.traditional), &s.pinyin));
        }
        let f = self.m.formula_by_id(id).map(|ix| self.m.formula(ix))?;
        Some((of(&f.hanzi, &f.traditional), &f.pinyin))
    }

    fn herb_name(&self, id: &str) -> String {
        self.herb(id).map_or(id.to_string(), |(hanzi, pinyin)| format!("{hanzi} {pinyin}"))
    }

    /// How many there are of each kind, so that a reader sees whether all pages are there.
    fn holds(&self) -> Vec<Value> {
        let w = self.whole;
        let counts = [
            ("record-visits", w.visits.len()),
            ("record-prescriptions", w.prescriptions.len()),
            ("record-dispensings", w.dispensings.len()),
            ("record-measures", w.measures.len()),
            ("record-readings", w.readings.len()),
            ("record-appointments", w.appointments.len()),
            ("record-attachments", w.attachments.len()),
        ];
        counts.iter().map(|(key, n)| json!({ "key": key, "n": n })).collect()
    }

    // ---- the person ----

    fn asked(&self, key: &str, answer: Option<String>) -> Value {
        match answer {
            Some(text) => given(key, text),
            None => row(key, "not-asked", vec![self.say("record-not-asked", &[])]),
        }
    }

    fn asked_list(&self, key: &str, answer: Option<Vec<String>>) -> Value {
        match answer {
            Some(list) if list.is_empty() => row(key, "none", vec![self.say("record-none", &[])]),
            Some(list) => row(key, "given", list),
            None => self.asked(key, None),
        }
    }

    fn or_not_written(&self, key: &str, text: &str) -> Value {
        if written(text) {
            given(key, text)
        } else {
            row(key, "not-written", vec![self.say("record-not-written", &[])])
        }
    }

    fn person(&self, person: &Person, on: Date) -> Vec<Value> {
        let sex = |s: Sex| self.word("record-sex", s.word());
        let years = person.years(on).map(|n| self.say("record-years", &[("n", &n.to_string())]));
        let mut rows = Vec::new();
        if person.names.len() > 1 {
            rows.push(row("record-other-names", "given", person.names[1..].to_vec()));
        }
        rows.push(self.asked("record-born", person.born.map(|d| d.to_string())));
        rows.extend(years.map(|text| given("record-age", text)));
        rows.push(self.asked("record-sex", person.sex.map(sex)));
        rows.push(self.or_not_written("record-number", &person.number));
        rows.push(self.or_not_written("phone", &person.phone));
        rows.push(self.or_not_written("record-email", &person.email));
        rows.push(self.or_not_written("record-address", &person.address));
        if written(&person.note) {
            rows.push(given("record-note", person.note.as_str()));
        }
        rows
    }

    fn known(&self, person: &Person) -> Vec<Value> {
        let named = |list: &Option<Vec<String>>| list.as_ref().map(|l| l.iter().map(|x| self.condition(x)).collect());
        let answer = |a: Option<Answer>| a.map(|a| self.with_day(&self.yes(a.yes), a.asked));
        let operation = person.operation.map(|o| {
            let text = o.on.map_or_else(|| self.say("record-none-planned", &[]), |d| d.to_string());
            self.with_day(&text, o.asked)
        });
        let weights: Vec<String> =
            person.weights.iter().map(|w| format!("{}: {}\u{a0}kg", w.on, exact(w.kg.0))).collect();
        let medicines = person.medicines.as_ref().map(|l| l.iter().map(|x| self.medicine(x)).collect());
        let conditions = person.conditions.as_ref().map(|l| l.iter().map(|x| self.condition_line(x)).collect());
        let mut rows = vec![
            self.asked_list("record-allergies", named(&person.allergies)),
            self.asked_list("record-medicines", medicines),
            self.asked_list("record-conditions", conditions),
            self.asked_list("record-diets", named(&person.diets)),
        ];
        // A man is not asked; where an answer stands all the same, it is printed.
        let man = person.sex == Some(Sex::Male);
        for (key, a) in [("record-pregnant", person.pregnant), ("record-breast-feeding", person.breast_feeding)] {
            if a.is_some() || !man {
                rows.push(self.asked(key, answer(a)));
            }
        }
        rows.push(self.asked_list("record-weights", Some(weights).filter(|l| !l.is_empty())));
        rows.push(self.asked("record-height", person.height_cm.map(|h| format!("{}\u{a0}cm", exact(h.0)))));
        rows.push(self.asked("record-operation", operation));
        rows.push(self.asked("record-athlete", person.athlete.map(|yes| self.yes(yes))));
        rows.push(self.asked("record-g6pd", person.g6pd_deficient.map(|yes| self.yes(yes))));
        rows
    }

    fn with_day(&self, text: &str, asked: Date) -> String {
        self.with(text, [self.say("record-asked", &[("date", &asked.to_string())])])
    }

    /// The text, with remarks in brackets where there are any.
    fn with(&self, text: &str, remarks: impl IntoIterator<Item = String>) -> String {
        let all: Vec<String> = remarks.into_iter().collect();
        match (all.is_empty(), self.tongue) {
            (true, _) => text.to_string(),
            (_, Tongue::En) => format!("{text} ({})", all.join(", ")),
            _ => format!("{text}（{}）", all.join("，")),
        }
    }

    fn span(&self, since: Option<Date>, until: Option<Date>) -> Vec<String> {
        let say = |key: &str, day: Option<Date>| day.map(|d| self.say(key, &[("date", &d.to_string())]));
        [say("record-since", since), say("record-until", until)].into_iter().flatten().collect()
    }

    fn medicine(&self, x: &Medicine) -> String {
        let safety = &self.m.library().safety;
        let class = safety.classes.get(&x.name).map(|c| self.term(&c.en, &c.zh));
        let name = class.unwrap_or_else(|| x.name.clone());
        let dose = written(&x.dose).then(|| x.dose.clone());
        self.with(&name, dose.into_iter().chain(self.span(x.since, x.until)))
    }

    fn condition_line(&self, x: &Condition) -> String {
        self.with(&self.condition(&x.name), self.span(x.since, x.until))
    }

    fn consent(&self, c: &Consent) -> Value {
        json!({
            "to": self.word("record-consent", &c.to),
            "given": c.given,
            "text": self.say(if c.given { "record-given" } else { "record-refused" }, &[]),
            "on": c.on.to_string(),
            "note": c.note,
        })
    }

    // ---- visits ----

    fn visit(&self, kept: &Kept<Visit>) -> Value {
        let v = &kept.record;
        let findings = |ids: &[String]| ids.iter().map(|id| self.finding(id)).collect();
        let mut rows = Rows::default();
        rows.text("record-complaint", &v.complaint);
        rows.text("record-notes", &v.notes);
        rows.list("record-present", findings(&v.findings));
        rows.list("record-absent", findings(&v.absent));
        rows.text("record-tongue", &v.tongue);
        rows.text("record-pulse", &v.pulse);
        rows.list("record-patterns", v.patterns.iter().map(|id| self.pattern(id)).collect());
        rows.text("record-reasoning", &v.reasoning);
        rows.text("record-plan", &v.plan);
        let here = |id: &Option<String>| id.as_deref() == Some(kept.id.as_str());
        let readings = self.whole.readings.iter().filter(|r| here(&r.record.visit));
        rows.maybe("record-readings", readings.map(|r| self.reading_line(&r.record)).collect());
        let attachments = self.whole.attachments.iter().filter(|a| here(&a.record.visit));
        rows.maybe("record-attachments", attachments.map(|a| self.attachment_name(&a.record)).collect());
        json!({
            "title": self.visit_name(&kept.id),
            "on": v.on.to_string(),
            "practitioner": self.who(&v.practitioner),
            "flags": v.flags,
            "rows": rows.rows,
            "missing": rows.missing,
            "written": self.written(kept),
            "prescriptions": self.prescriptions(|rx| here(&rx.visit)),
        })
    }

    // ---- prescriptions ----

    fn prescriptions(&self, which: impl Fn(&Prescription) -> bool) -> Vec<Value> {
        self.whole.prescriptions.iter().filter(|k| which(&k.record)).map(|k| self.prescription(k)).collect()
    }

    fn prescription(&self, kept: &Kept<Prescription>) -> Value {
        let rx = &kept.record;
        let total = rx.items.iter().try_fold(Rational::ZERO, |sum, l| sum.plus(l.grams?.0));
        let signed = rx.signed.as_ref();
        let withdrawn = rx.withdrawn.as_ref().map(|w| {
            let (name, at) = (self.who(&w.by), self.at(w.at));
            self.say("record-withdrawn-by", &[("name", &name), ("at", &at), ("why", &w.why)])
        });
        let rows = self.prescription_rows(kept);
        json!({
            "title": self.rx_name(&kept.id),
            "name": rx.title,
            "on": rx.on.to_string(),
            "state": rx.state(),
            "state_word": self.word("record-state", rx.state()),
            "rows": rows.rows,
            "missing": rows.missing,
            "lines": rx.items.iter().enumerate().map(|(n, l)| self.line(n, l)).collect::<Vec<_>>(),
            "total": total.map_or(String::new(), |t| format!("{} g", exact(t))),
            "signed": signed.map(|s| self.signature(s, &rx.overrides)),
            "withdrawn": withdrawn,
            "overrides": self.overrides(&rx.overrides, signed),
            "written": self.written(kept),
            "dispensings": self.dispensings(|d| d.prescription == kept.id),
        })
    }

    fn prescription_rows(&self, kept: &Kept<Prescription>) -> Rows {
        let rx = &kept.record;
        let number = |n: Option<u32>| n.map(|n| n.to_string()).unwrap_or_default();
        let mut rows = Rows::default();
        if let Some(id) = rx.visit.as_ref().filter(|id| !self.visit_no.contains_key(id.as_str())) {
            rows.maybe("record-at-visit", vec![self.elsewhere(id)]);
        }
        rows.maybe("record-formula", rx.formula.iter().map(|id| self.herb_name(id)).collect());
        let form = rx.form.unwrap_or(Form::Decoction);
        rows.maybe("form", vec![self.word("record-form", form.word())]);
        let ratio = rx.granule_ratio.map(|r| self.say("ratio", &[("ratio", &exact(r.0))]));
        rows.maybe("record-ratio", ratio.into_iter().collect());
        rows.text("days", &number(rx.days));
        rows.text("doses-a-day", &number(rx.doses));
        rows.text("directions", &rx.directions);
        rows.maybe("record-patterns", rx.patterns.iter().map(|id| self.pattern(id)).collect());
        rows.maybe("record-parent", rx.parent.iter().map(|id| self.rx_name(id)).collect());
        rows.maybe("record-why", Some(rx.why.clone()).filter(|t| written(t)).into_iter().collect());
        let later = self.whole.prescriptions.iter().filter(|k| k.record.parent.as_ref() == Some(&kept.id));
        rows.maybe("record-replaced", later.map(|k| self.rx_name(&k.id)).collect());
        rows
    }

    fn line(&self, n: usize, l: &RxLine) -> Value {
        let s = l.substance.as_ref().and_then(|id| self.m.substance_by_id(id)).map(|ix| self.m.substance(ix));
        // A name that is settled stands beside what was written, unless they are the same.
        let (hanzi, pinyin, latin, english, as_written) = match s {
            Some(s) => {
                let plain = s.id.replace('-', " ");
                let known = [&s.hanzi, &s.traditional, &s.pinyin, &s.latin, &s.english, &s.id, &plain];
                let same = known.iter().any(|k| k.to_lowercase() == l.name.trim().to_lowercase());
                let as_written = if same || !written(&l.name) { "" } else { l.name.as_str() };
                let hanzi = self.tongue.of(&s.hanzi, &s.hanzi, &s.traditional);
                (hanzi, s.pinyin.as_str(), s.latin.as_str(), s.english.as_str(), as_written)
            }
            None if written(&l.name) => (l.name.as_str(), "", "", "", ""),
            None => (l.substance.as_deref().unwrap_or("—"), "", "", "", ""),
        };
        let as_written =
            if as_written.is_empty() { String::new() } else { self.say("record-as-written", &[("name", as_written)]) };
        let handling: Vec<String> = l.pot.iter().map(|p| self.word("record-pot", p.word())).collect();
        json!({
            "no": n + 1,
            "hanzi": hanzi,
            "pinyin": pinyin,
            "latin": latin,
            "english": english,
            "written": as_written,
            "grams": l.grams.map_or_else(|| self.say("record-no-grams", &[]), |g| format!("{} g", exact(g.0))),
            "handling": handling,
        })
    }

    fn set_aside(&self, o: &Override) -> String {
        let by = o.by.as_ref().filter(|b| written(b)).map(|b| self.who(b));
        // As it was written, unless it is a time that is understood.
        let at = o.at.clone().filter(|a| written(a)).map(|a| a.parse().map_or(a, |t| self.at(t)));
        let twice = o.confirmed.then(|| self.say("record-confirmed", &[]));
        let all: Vec<String> = [by, at, twice].into_iter().flatten().collect();
        all.join(if self.tongue == Tongue::En { ", " } else { "，" })
    }

    fn signature(&self, s: &Signature, overrides: &[Override]) -> Value {
        let findings: Vec<Value> = s
            .findings
            .iter()
            .map(|f| {
                let by = overrides.iter().find(|o| o.finding == f.key).map(|o| self.set_aside(o));
                json!({
                    "severity": self.word("severity", &f.severity),
                    "title": f.title,
                    "rule": f.rule,
                    "key": f.key,
                    "reason": f.set_aside.clone().unwrap_or_default(),
                    "by": by.unwrap_or_default(),
                })
            })
            .collect();
        json!({
            "text": self.say("record-signed-by", &[("name", &self.who(&s.by)), ("at", &self.at(s.at))]),
            "hash": s.hash,
            "findings": findings,
            "not_checked": s.not_checked,
        })
    }

    /// What was set aside and does not stand among the findings at signing with the same reason.
    fn overrides(&self, overrides: &[Override], signed: Option<&Signature>) -> Vec<Value> {
        let findings = signed.map_or(&[][..], |s| &s.findings);
        let told =
            |o: &Override| findings.iter().any(|f| f.key == o.finding && f.set_aside.as_ref() == Some(&o.reason));
        let title =
            |o: &Override| findings.iter().find(|f| f.key == o.finding).map_or(&o.finding, |f| &f.title).clone();
        let left = overrides.iter().filter(|o| !told(o));
        left.map(|o| json!({ "finding": title(o), "reason": o.reason, "by": self.set_aside(o) })).collect()
    }

    // ---- dispensings ----

    fn dispensings(&self, which: impl Fn(&Dispensing) -> bool) -> Vec<Value> {
        self.whole.dispensings.iter().filter(|k| which(&k.record)).map(|k| self.dispensing(k)).collect()
    }

    fn dispensing(&self, kept: &Kept<Dispensing>) -> Value {
        let d = &kept.record;
        let preparation = self.m.library().dispensing.preparation(&d.preparation);
        let preparation = preparation.map_or(d.preparation.as_str(), |p| self.tongue.of(&p.en, &p.zh, &p.zh_hant));
        let mut rows = Rows::default();
        if !self.rx_no.contains_key(d.prescription.as_str()) {
            rows.maybe("prescription", vec![self.elsewhere(&d.prescription)]);
        }
        rows.text("dispenser", &self.who(&d.dispenser));
        rows.text("form", preparation);
        rows.text("days", &d.days.to_string());
        rows.text("doses-a-day", &d.doses.map(|n| n.to_string()).unwrap_or_default());
        rows.maybe("price", d.price.iter().cloned().collect());
        rows.maybe("record-remarks", d.remarks.clone());
        let lines: Vec<Value> = d
            .lines
            .iter()
            .enumerate()
            .map(|(n, l)| {
                let (hanzi, pinyin) = self.herb(&l.substance).unwrap_or((&l.substance, ""));
                json!({
                    "no": n + 1, "hanzi": hanzi, "pinyin": pinyin, "product": l.product, "lot": l.lot,
                    "grams": format!("{} g", exact(l.grams.0)),
                })
            })
            .collect();
        json!({
            "title": self.say("record-dispensing", &[("number", &d.number)]),
            "on": d.on.to_string(),
            "rows": rows.rows,
            "missing": rows.missing,
            "lines": lines,
            "written": self.written(kept),
        })
    }

    // ---- measures ----

    fn reading_line(&self, r: &Reading) -> String {
        let of = self.whole.measures.iter().find(|k| k.id == r.measure).map(|k| &k.record);
        let name = of.map_or_else(|| self.elsewhere(&r.measure), |x| x.name.clone());
        format!("{name}: {}", value_with_unit(r.value, of))
    }

    fn measures(&self) -> Vec<Value> {
        let mut all: Vec<Value> = self.whole.measures.iter().map(|k| self.measure(&k.id, Some(&k.record))).collect();
        // Values of a measure that is not there are printed all the same.
        let mut lost: Vec<&str> = Vec::new();
        for r in &self.whole.readings {
            let id = r.record.measure.as_str();
            if !self.whole.measures.iter().any(|k| k.id == id) && !lost.contains(&id) {
                lost.push(id);
            }
        }
        all.extend(lost.iter().map(|id| self.measure(id, None)));
        all
    }

    fn measure(&self, id: &str, measure: Option<&Measure>) -> Value {
        let mut readings: Vec<&Reading> =
            self.whole.readings.iter().map(|k| &k.record).filter(|r| r.measure == id).collect();
        readings.sort_by_key(|r| r.on);
        let rows: Vec<Value> = readings
            .iter()
            .map(|r| {
                let visit = r.visit.as_ref().map(|v| self.visit_name(v)).unwrap_or_default();
                json!({
                    "on": r.on.to_string(), "value": value_with_unit(r.value, measure), "visit": visit, "note": r.note,
                })
            })
            .collect();
        let scale = measure.map(|x| match x.most {
            Some(most) => self.say("record-scale-to", &[("least", &exact(x.least.0)), ("most", &exact(most.0))]),
            None => self.say("record-scale-from", &[("least", &exact(x.least.0))]),
        });
        let better = measure.map(|x| match x.better {
            Better::Less => self.say("record-better-less", &[]),
            Better::More => self.say("record-better-more", &[]),
        });
        json!({
            "name": measure.map_or_else(|| self.elsewhere(id), |x| x.name.clone()),
            "unit": measure.map_or("", |x| x.unit.as_str()),
            "scale": scale.unwrap_or_default(),
            "better": better.unwrap_or_default(),
            "readings": rows,
            "chart": chart(&readings, measure),
        })
    }

    // ---- appointments and attachments ----

    fn appointment(&self, a: &Appointment) -> Value {
        let purpose = match a.purpose {
            Purpose::Visit => "record-purpose-visit",
            Purpose::Call => "record-purpose-call",
        };
        json!({
            "on": a.on.to_string(),
            "at": a.at.map_or(String::new(), |t| t.strftime("%H:%M").to_string()),
            "purpose": self.say(purpose, &[]),
            "with": self.who(&a.with),
            "about": a.about,
            "standing": self.word("record-standing", a.state()),
        })
    }

    fn attachment_name(&self, a: &Attachment) -> String {
        if written(&a.title) {
            a.title.clone()
        } else {
            format!("{} {}", self.word("record-shows", a.shows.word()), a.on)
        }
    }

    fn attachment(&self, kept: &Kept<Attachment>) -> Value {
        let a = &kept.record;
        json!({
            "on": a.on.to_string(),
            "shows": self.word("record-shows", a.shows.word()),
            // A paper is printed over the whole width, so that it can be read.
            "wide": a.shows == Shows::Document,
            "title": self.attachment_name(a),
            "visit": a.visit.as_ref().map(|v| self.visit_name(v)).unwrap_or_default(),
            "media": a.media,
            "bytes": self.say("record-bytes", &[("n", &a.bytes.to_string())]),
            "sha256": a.sha256,
            "picture": self.pictures.get(kept.id.as_str()).copied().unwrap_or(""),
        })
    }
}

fn value_with_unit(value: Exact, measure: Option<&Measure>) -> String {
    let unit = measure.map_or("", |x| x.unit.trim());
    if unit.is_empty() { exact(value.0) } else { format!("{}\u{a0}{unit}", exact(value.0)) }
}

/// A line chart: each point has its place from 0 to 1, from the left and from below. Nothing where there are not two
/// values.
fn chart(readings: &[&Reading], measure: Option<&Measure>) -> Value {
    let [first, .., last] = readings else { return Value::Null };
    let values = || readings.iter().map(|r| r.value.0);
    // The scale, and further where a value lies outside of it.
    let least = values().chain(measure.map(|x| x.least.0).filter(|_| measure.is_some_and(|x| x.most.is_some())));
    let (Some(low), Some(high)) = (least.min(), values().chain(measure.and_then(|x| x.most).map(|m| m.0)).max()) else {
        return Value::Null;
    };
    let share = |part: f64, whole: f64| if whole > 0.0 { part / whole } else { 0.5 };
    let height = high.for_drawing() - low.for_drawing();
    let days = |on: Date| on.duration_since(first.on).as_secs_f64();
    let points: Vec<Value> = readings
        .iter()
        .map(|r| {
            let x = share(days(r.on), days(last.on));
            let y = share(r.value.0.for_drawing() - low.for_drawing(), height);
            json!([x, y, exact(r.value.0)])
        })
        .collect();
    json!({
        "points": points, "low": exact(low), "high": exact(high),
        "from": first.on.to_string(), "to": last.on.to_string(),
    })
}

#[cfg(test)]
#[allow(clippy::unwrap_used, reason = "a test that cannot go on fails")]
mod tests {
    use super::*;

    #[test]
    fn what_is_filled_in_is_not_filled_again() {
        assert_eq!(filled("{a} and {b} {c", &[("a", "{b}"), ("b", "2")]), "{b} and 2 {c");
        let text: Value = Value::from("a\r\nb\u{0}\tc");
        let mut page = json!({ "x": [text] });
        clean(&mut page);
        assert_eq!(page["x"][0], "a\nb c");
    }

    #[test]
    fn numbers_are_never_rounded() {
        let of = |n, d| exact(Rational::new(n, d).unwrap());
        assert_eq!([of(9, 1), of(1, 8), of(1, 3), of(1, 1_000_000)], ["9", "0.125", "1/3", "0.000001"]);
    }
}
