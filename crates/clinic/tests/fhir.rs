//! Records to FHIR and back, bundles of other systems, and broken ones. All people are invented.
#![allow(clippy::unwrap_used, reason = "a test that cannot go on fails")]

use std::sync::LazyLock;

use fangwright_amount::Rational;
use fangwright_clinic::fhir::{FhirError, Incoming, LeftOut, Outgoing, bundle, extension, read};
use fangwright_clinic::model::*;
use fangwright_materia::Materia;
use fangwright_materia::records::{Form, Pot};
use fangwright_safety::{Exact, Override};
use jiff::Timestamp;
use jiff::civil::{Date, Time, date, time};
use proptest::prelude::*;
use serde_json::{Value, json};
use sha2::{Digest, Sha256};

static MATERIA: LazyLock<Materia> = LazyLock::new(Materia::embedded);

/// Makes records out of a list of numbers, so that a failing case is one list.
struct Dice {
    rolls: Vec<u32>,
    at: usize,
    ids: u32,
}

const TEXTS: [&str; 12] = [
    "王小明",
    "黄芪 炙",
    "Wilma Nosuchperson",
    "tired, \"as if made of wet sand\"",
    "line one\nline two",
    "naïve – ½",
    "🙂",
    "a/b~c",
    "x",
    "咳嗽三日",
    "0",
    "null",
];

impl Dice {
    fn roll(&mut self, below: usize) -> usize {
        self.at += 1;
        // Far apart uses of one number must not be the same choice.
        let n = self.rolls[self.at % self.rolls.len()].wrapping_add((self.at / self.rolls.len()) as u32);
        n as usize % below
    }

    fn yes(&mut self) -> bool {
        self.roll(2) == 0
    }

    fn text(&mut self) -> String {
        TEXTS[self.roll(TEXTS.len())].into()
    }

    fn perhaps(&mut self) -> String {
        if self.yes() { self.text() } else { String::new() }
    }

    fn maybe<T>(&mut self, make: fn(&mut Dice) -> T) -> Option<T> {
        self.yes().then(|| make(self))
    }

    fn some<T>(&mut self, make: fn(&mut Dice) -> T) -> Vec<T> {
        (0..self.roll(4)).map(|_| make(self)).collect()
    }

    fn day(&mut self) -> Date {
        date(1930 + self.roll(100) as i16, 1 + self.roll(12) as i8, 1 + self.roll(28) as i8)
    }

    fn time(&mut self) -> Time {
        time(self.roll(24) as i8, self.roll(60) as i8, 0, 0)
    }

    fn moment(&mut self) -> Timestamp {
        Timestamp::new(self.roll(2_000_000_000) as i64, (self.roll(1_000_000) * 1000) as i32).unwrap()
    }

    fn number(&mut self) -> Exact {
        let top = [1i128, 2, 7, 9, 123, 1_000_003, 9_007_199_254_740_993][self.roll(7)];
        let bottom = [1i128, 1, 2, 3, 7, 10, 1000, 999_999_999_989, 10i128.pow(25)][self.roll(9)];
        Exact(Rational::new(top, bottom).unwrap())
    }

    fn account(&mut self) -> String {
        ["a.oak", "b.elm", "c.yew"][self.roll(3)].into()
    }

    fn maybe_account(&mut self) -> String {
        if self.roll(4) == 0 { String::new() } else { self.account() }
    }

    fn substance(&mut self) -> String {
        if self.roll(9) == 0 {
            return "own-herb".into();
        }
        let n = self.roll(MATERIA.substances().len());
        MATERIA.substances().nth(n).unwrap().1.id.clone()
    }

    fn pattern(&mut self) -> String {
        let n = self.roll(MATERIA.library().patterns.len());
        MATERIA.library().patterns.keys().nth(n).unwrap().clone()
    }

    fn finding(&mut self) -> String {
        let n = self.roll(MATERIA.library().findings.len());
        MATERIA.library().findings.keys().nth(n).unwrap().clone()
    }

    fn id(&mut self) -> String {
        self.ids += 1;
        if self.roll(9) == 0 {
            return format!("old record {}", self.ids);
        }
        format!("0190a000-0000-7000-8000-{:012x}", self.ids)
    }

    fn kept<B>(&mut self, person: &str, record: B) -> Kept<B> {
        let (id, version) = (self.id(), 1 + self.roll(5) as u32);
        Kept { id, person: person.into(), version, written: self.moment(), by: self.maybe_account(), record }
    }

    fn answer(&mut self) -> Answer {
        Answer { yes: self.yes(), asked: self.day() }
    }

    fn person(&mut self) -> Kept<Person> {
        let mut names = self.some(Dice::text);
        names.insert(0, self.text());
        let record = Person {
            names,
            born: self.maybe(Dice::day),
            sex: self.maybe(|d| [Sex::Female, Sex::Male, Sex::Other][d.roll(3)]),
            number: self.perhaps(),
            phone: self.perhaps(),
            email: self.perhaps(),
            address: self.perhaps(),
            pregnant: self.maybe(Dice::answer),
            breast_feeding: self.maybe(Dice::answer),
            weights: self.some(|d| Weighing { on: d.day(), kg: d.number() }),
            height_cm: self.maybe(Dice::number),
            allergies: self.maybe(|d| d.some(Dice::perhaps)),
            medicines: self.maybe(|d| {
                d.some(|d| Medicine {
                    name: d.perhaps(),
                    dose: d.perhaps(),
                    since: d.maybe(Dice::day),
                    until: d.maybe(Dice::day),
                })
            }),
            conditions: self.maybe(|d| {
                d.some(|d| Condition { name: d.perhaps(), since: d.maybe(Dice::day), until: d.maybe(Dice::day) })
            }),
            diets: self.maybe(|d| d.some(Dice::perhaps)),
            operation: self.maybe(|d| Operation { asked: d.day(), on: d.maybe(Dice::day) }),
            athlete: self.maybe(Dice::yes),
            g6pd_deficient: self.maybe(Dice::yes),
            consents: self.some(|d| Consent {
                to: ["treatment", "research", "teaching", ""][d.roll(4)].into(),
                given: d.yes(),
                on: d.day(),
                note: d.perhaps(),
            }),
            note: self.perhaps(),
        };
        let mut kept = self.kept("", record);
        kept.person = kept.id.clone();
        kept
    }

    fn visit(&mut self) -> Visit {
        Visit {
            on: self.day(),
            practitioner: self.maybe_account(),
            complaint: self.perhaps(),
            notes: self.perhaps(),
            findings: self.some(Dice::finding),
            absent: self.some(Dice::finding),
            tongue: self.perhaps(),
            pulse: self.perhaps(),
            patterns: self.some(Dice::pattern),
            reasoning: self.perhaps(),
            plan: self.perhaps(),
            flags: self.some(Dice::perhaps),
        }
    }

    fn line(&mut self) -> RxLine {
        let substance = self.maybe(Dice::substance);
        // Sometimes written as in the book.
        let book = substance.as_deref().and_then(|s| MATERIA.substance_by_id(s)).map(|s| MATERIA.substance(s));
        let name = match book {
            Some(s) if self.yes() => s.hanzi.clone(),
            _ => self.perhaps(),
        };
        let pot = self.some(|d| Pot::ALL[d.roll(Pot::ALL.len())]);
        RxLine { name, substance, grams: self.maybe(Dice::number), pot }
    }

    fn signature(&mut self) -> Signature {
        Signature {
            by: self.account(),
            at: self.moment(),
            hash: "ab".repeat(32),
            findings: self.some(|d| SignedFinding {
                key: d.text(),
                rule: d.text(),
                severity: "grave".into(),
                title: d.perhaps(),
                set_aside: d.maybe(Dice::perhaps),
            }),
            not_checked: self.some(Dice::perhaps),
        }
    }

    fn prescription(&mut self, visits: &[Kept<Visit>], parent: Option<String>) -> Prescription {
        let mut items = self.some(Dice::line);
        items.push(self.line());
        let visit = (!visits.is_empty() && self.yes()).then(|| visits[self.roll(visits.len())].id.clone());
        Prescription {
            on: self.day(),
            // Now and then one that is not given away with it.
            visit: if self.roll(9) == 0 { Some(self.id()) } else { visit },
            title: self.perhaps(),
            formula: self.maybe(|d| ["gui-zhi-tang", "own-formula"][d.roll(2)].into()),
            items,
            form: self.maybe(|d| Form::ALL[d.roll(Form::ALL.len())]),
            granule_ratio: self.maybe(Dice::number),
            days: self.maybe(|d| 1 + d.roll(30) as u32),
            doses: self.maybe(|d| 1 + d.roll(4) as u32),
            directions: self.perhaps(),
            patterns: self.some(Dice::pattern),
            overrides: self.some(|d| Override {
                finding: d.text(),
                reason: d.perhaps(),
                by: d.maybe(Dice::account),
                at: d.maybe(|d| d.moment().to_string()),
                confirmed: d.yes(),
            }),
            parent,
            why: self.perhaps(),
            signed: self.maybe(Dice::signature),
            withdrawn: self.maybe(|d| Withdrawal { by: d.account(), at: d.moment(), why: d.perhaps() }),
        }
    }

    fn dispensing(&mut self, prescription: String) -> Dispensing {
        let line = |d: &mut Dice| DispensedLine {
            substance: if d.roll(5) == 0 { "gui-zhi-tang".into() } else { d.substance() },
            product: d.perhaps(),
            lot: d.perhaps(),
            grams: d.number(),
        };
        let mut lines = self.some(line);
        lines.push(line(self));
        Dispensing {
            prescription,
            number: self.perhaps(),
            on: self.day(),
            dispenser: self.maybe_account(),
            preparation: self.perhaps(),
            days: self.roll(30) as u32,
            doses: self.maybe(|d| 1 + d.roll(4) as u32),
            lines,
            remarks: self.some(Dice::perhaps),
            price: self.maybe(Dice::perhaps),
        }
    }

    fn measure(&mut self) -> Measure {
        let least = self.number();
        Measure {
            name: self.text(),
            least,
            most: self.maybe(Dice::number).filter(|m| m.0 > least.0),
            unit: self.perhaps(),
            better: if self.yes() { Better::Less } else { Better::More },
        }
    }

    fn appointment(&mut self) -> Appointment {
        Appointment {
            on: self.day(),
            at: self.maybe(Dice::time),
            purpose: if self.yes() { Purpose::Visit } else { Purpose::Call },
            with: self.maybe_account(),
            about: self.perhaps(),
            standing: [Standing::Planned, Standing::Kept, Standing::Missed, Standing::Off][self.roll(4)],
        }
    }

    fn whole(&mut self) -> Whole {
        let person = self.person();
        let of = person.id.clone();
        let keep = |d: &mut Dice, record| d.kept(&of, record);
        let visits: Vec<_> = self.some(Dice::visit).into_iter().map(|v| keep(self, v)).collect();
        let mut prescriptions: Vec<Kept<Prescription>> = Vec::new();
        for _ in 0..self.roll(3) {
            let parent = prescriptions.last().map(|p| p.id.clone());
            let p = self.prescription(&visits, parent);
            prescriptions.push(self.kept(&of, p));
        }
        let mut dispensings = Vec::new();
        for p in &prescriptions {
            let d = self.dispensing(p.id.clone());
            dispensings.push(self.kept(&of, d));
        }
        let measures: Vec<_> = self.some(Dice::measure).into_iter().map(|m| self.kept(&of, m)).collect();
        let mut readings = Vec::new();
        for m in &measures {
            let visit = visits.first().map(|v| v.id.clone()).filter(|_| self.yes());
            let (on, value, note) = (self.day(), self.number(), self.perhaps());
            readings.push(self.kept(&of, Reading { measure: m.id.clone(), on, value, visit, note }));
        }
        let appointments: Vec<_> = self.some(Dice::appointment).into_iter().map(|a| self.kept(&of, a)).collect();
        let mut attachments = Vec::new();
        for _ in 0..self.roll(3) {
            let visit = visits.first().map(|v| v.id.clone()).filter(|_| self.yes());
            let a = Attachment {
                on: self.day(),
                shows: [Shows::Tongue, Shows::Body, Shows::Document, Shows::Other][self.roll(4)],
                media: ["image/jpeg", "application/pdf", ""][self.roll(3)].into(),
                title: self.perhaps(),
                visit,
                bytes: 0,
                sha256: String::new(),
            };
            let mut kept = self.kept(&of, a);
            // Without their bytes: more than a FHIR Attachment can say.
            if self.roll(4) == 0 {
                (kept.record.bytes, kept.record.sha256) = (5_000_000_000, "cd".repeat(32));
            } else {
                let bytes = blob(&kept.id);
                kept.record.bytes = bytes.len() as u64;
                kept.record.sha256 = Sha256::digest(&bytes).iter().map(|b| format!("{b:02x}")).collect();
            }
            attachments.push(kept);
        }
        Whole { person, visits, prescriptions, dispensings, measures, readings, appointments, attachments }
    }
}

/// Bytes that belong to an id; none for some.
fn blob(id: &str) -> Vec<u8> {
    id.bytes().rev().take(id.len() % 7 * usize::from(id.ends_with(|c: char| c > '3'))).collect()
}

fn wholes() -> impl Strategy<Value = Vec<Whole>> {
    (prop::collection::vec(any::<u32>(), 300..900), 1usize..4).prop_map(|(rolls, n)| {
        let mut dice = Dice { rolls, at: 0, ids: 0 };
        (0..n).map(|_| dice.whole()).collect()
    })
}

fn out(wholes: &[Whole]) -> Value {
    let names = FullNames::from([("a.oak".into(), "Ada Oak".into()), ("b.elm".into(), "榆 Bo Elm".into())]);
    let there = |id: &str| {
        let a = wholes.iter().flat_map(|w| &w.attachments).find(|a| a.id == id)?;
        (a.record.bytes < 1_000_000).then(|| blob(id))
    };
    let at = "2026-06-01T08:00:00Z".parse().unwrap();
    let b = bundle(&Outgoing { m: &MATERIA, wholes, names: &names, blobs: &there, at });
    // Through text, as between two systems.
    serde_json::from_str(&b.to_string()).unwrap()
}

/// FHIR allows neither empty texts nor empty lists nor empty objects.
fn nothing_empty(v: &Value) -> bool {
    match v {
        Value::String(s) => !s.is_empty(),
        Value::Array(l) => !l.is_empty() && l.iter().all(nothing_empty),
        Value::Object(o) => !o.is_empty() && o.values().all(nothing_empty),
        other => !other.is_null(),
    }
}

fn pointers(v: &Value, path: &str, all: &mut Vec<String>) {
    all.push(path.to_owned());
    match v {
        Value::Array(l) => l.iter().enumerate().for_each(|(i, v)| pointers(v, &format!("{path}/{i}"), all)),
        Value::Object(o) => o.iter().for_each(|(k, v)| pointers(v, &format!("{path}/{k}"), all)),
        _ => {}
    }
}

fn remove(v: &mut Value, path: &str) {
    let Some((parent, key)) = path.rsplit_once('/') else { return };
    match v.pointer_mut(parent) {
        Some(Value::Object(o)) => {
            o.remove(key);
        }
        Some(Value::Array(l)) => {
            l.remove(key.parse().unwrap());
        }
        _ => {}
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 200, ..ProptestConfig::default() })]

    #[test]
    fn nothing_is_lost_on_the_way_and_back(wholes in wholes()) {
        let b = out(&wholes);
        prop_assert!(nothing_empty(&b));
        let back = read(&MATERIA, &b).unwrap();
        prop_assert_eq!(&back.left, &Vec::<LeftOut>::new());
        for (is, was) in back.wholes.iter().zip(&wholes) {
            prop_assert_eq!(is, was);
        }
        prop_assert_eq!(back.wholes.len(), wholes.len());
        let with_bytes: Vec<_> = wholes.iter().flat_map(|w| &w.attachments).filter(|a| a.record.bytes < 1_000_000).collect();
        prop_assert_eq!(back.blobs.len(), with_bytes.len());
        for (id, bytes) in &back.blobs {
            prop_assert_eq!(bytes, &blob(id));
        }
        // And out again: the same bundle.
        prop_assert_eq!(out(&back.wholes), b);
    }

    #[test]
    fn a_broken_bundle_never_panics(
        wholes in wholes(), hits in prop::collection::vec((any::<usize>(), 0usize..12), 1..6),
    ) {
        let mut b = out(&wholes);
        for (at, how) in hits {
            let mut all = Vec::new();
            pointers(&b, "", &mut all);
            let path = all[at % all.len()].clone();
            let other = b.pointer(&all[at / 7 % all.len()]).unwrap().clone();
            let new = match how {
                0..=2 => {
                    remove(&mut b, &path);
                    continue;
                }
                3 => Value::Null,
                4 => json!(-1),
                5 => json!(1e300),
                6 => json!("x"),
                7 => json!([]),
                8 => json!({}),
                9 => json!(true),
                10 => json!(["\u{0}", 18446744073709551615u64, {"extension": [7]}]),
                _ => other,
            };
            *b.pointer_mut(&path).unwrap() = new;
        }
        match read(&MATERIA, &b) {
            Ok(_) => {}
            Err(e) => {
                let text = e.to_string();
                prop_assert!(text.starts_with('`'), "{text}");
            }
        }
    }

    #[test]
    fn what_is_not_known_is_reported_wherever_it_stands(wholes in wholes(), at in any::<usize>()) {
        let mut b = out(&wholes);
        let mut all = Vec::new();
        pointers(&b, "", &mut all);
        all.retain(|p| b.pointer(p).unwrap().is_object());
        let path = &all[at % all.len()];
        b.pointer_mut(path).unwrap()["strange"] = json!({"valueString": "of another system"});
        let back = read(&MATERIA, &b).unwrap();
        let strange = format!("{path}/strange");
        prop_assert!(back.left.iter().any(|l| strange.starts_with(&l.path)), "{strange}: {:?}", back.left);
    }
}

#[test]
fn a_number_that_is_no_decimal_has_its_fraction_beside_it() {
    let mut dice = Dice { rolls: vec![1, 2, 3, 5, 8, 13, 21], at: 0, ids: 0 };
    let mut whole = dice.whole();
    let third = Exact(Rational::new(200, 3).unwrap());
    whole.person.record.weights = vec![Weighing { on: date(2026, 1, 2), kg: third }];
    let mut b = out(std::slice::from_ref(&whole));
    let mut all = Vec::new();
    pointers(&b, "", &mut all);
    let q = all.iter().find(|p| p.ends_with("/valueQuantity") && b.pointer(p).unwrap()["code"] == "kg").unwrap();
    let quantity = b.pointer(q).unwrap();
    assert_eq!(quantity["value"], json!(66.6666666666667));
    assert_eq!(quantity["_value"]["extension"], json!([{ "url": extension::EXACT, "valueString": "200/3" }]));
    // Somebody corrected the decimal and knew nothing of the extension.
    b.pointer_mut(q).unwrap()["value"] = json!(61.5);
    let back = read(&MATERIA, &b).unwrap();
    assert_eq!(back.wholes[0].person.record.weights[0].kg, Exact("61.5".parse().unwrap()));
    assert_eq!(back.left.len(), 1, "{:?}", back.left);
    assert_eq!(back.left[0].path, format!("{q}/_value/extension/0"));
}

#[test]
fn others_can_read_the_prescription() {
    let mut dice = Dice { rolls: (7..300).collect(), at: 0, ids: 0 };
    let person = dice.person();
    let mut p = dice.prescription(&[], None);
    let line = RxLine {
        name: "zhi huang qi".into(),
        substance: Some("huang-qi".into()),
        grams: Some(Exact("4.5".parse().unwrap())),
        pot: vec![Pot::CookFirst],
    };
    (p.items, p.withdrawn, p.signed, p.visit) = (vec![line], None, Some(dice.signature()), None);
    let of = person.id.clone();
    let prescriptions = vec![dice.kept(&of, p)];
    let whole = Whole { person, visits: vec![], prescriptions, ..empty(&mut dice) };
    let b = out(&[whole]);
    let rx = resources(&b, "MedicationRequest")[0].clone();
    assert_eq!(rx["status"], "active");
    let i = &rx["contained"][0]["ingredient"][0];
    assert_eq!(i["itemCodeableConcept"]["text"], "黄芪 Huáng Qí Astragali Radix", "{i}");
    assert_eq!(i["strength"]["numerator"]["value"], 4.5);
    assert_eq!(i["strength"]["denominator"]["code"], "d");
    let p = resources(&b, "Provenance");
    assert!(p.iter().any(|p| p["activity"]["coding"][0]["code"] == "signature"));
}

fn empty(dice: &mut Dice) -> Whole {
    Whole {
        person: dice.person(),
        visits: vec![],
        prescriptions: vec![],
        dispensings: vec![],
        measures: vec![],
        readings: vec![],
        appointments: vec![],
        attachments: vec![],
    }
}

fn resources<'a>(b: &'a Value, kind: &str) -> Vec<&'a Value> {
    let all = b["entry"].as_array().unwrap().iter().map(|e| &e["resource"]);
    all.filter(|r| r["resourceType"] == kind).collect()
}

/// As another system might send it: a page of a search, http addresses, relative references, pounds.
fn foreign() -> Value {
    let who = json!({ "reference": "Patient/123" });
    let at = |kind: &str, id: &str, mut r: Value| {
        r["resourceType"] = kind.into();
        r["id"] = id.into();
        json!({ "fullUrl": format!("http://example.org/fhir/{kind}/{id}"), "resource": r, "search": { "mode": "match" } })
    };
    let weight = |id: &str, day: &str, value: Value, unit: &str| {
        at(
            "Observation",
            id,
            json!({
                "status": "final",
                "code": { "coding": [{ "system": "http://loinc.org", "code": "29463-7" }] },
                "subject": who, "effectiveDateTime": day,
                "valueQuantity": { "value": value, "unit": unit, "system": "http://unitsofmeasure.org", "code": unit },
            }),
        )
    };
    json!({
        "resourceType": "Bundle", "type": "searchset", "total": 12, "timestamp": "2026-03-01T10:00:00Z",
        "link": [{ "relation": "self", "url": "http://example.org/fhir?x" }, { "relation": "next", "url": "http://example.org/fhir?y" }],
        "entry": [
            weight("w2", "2026-02-03", json!(154.5), "[lb_av]"),
            weight("w1", "2025-02-03T08:00:00+01:00", json!(70123), "g"),
            weight("w3", "2026-02", json!(70), "kg"),
            weight("w4", "2026-02-05", json!(11), "[stone_av]"),
            at("Patient", "123", json!({
                "name": [
                    { "use": "official", "family": "Nosuch", "given": ["Nina", "Q."], "prefix": ["Dr"] },
                    { "family": "王", "given": ["小明"] }
                ],
                "gender": "unknown", "birthDate": "1980-05", "maritalStatus": { "text": "married" },
                "telecom": [{ "system": "phone", "value": "000 111" }, { "system": "phone", "value": "000 222" }],
                "address": [{ "line": ["1 Invented Lane"], "city": "Nowhere", "country": "XX" }],
                "identifier": [{ "system": "http://example.org/mrn", "value": "77" }]
            })),
            at("AllergyIntolerance", "a", json!({
                "patient": who, "code": { "coding": [{ "system": "http://snomed.info/sct", "code": "716186003" }] }
            })),
            at("MedicationStatement", "m", json!({
                "status": "active", "subject": who, "effectivePeriod": { "start": "2024-01-01" },
                "medicationCodeableConcept": { "coding": [
                    { "system": "http://www.nlm.nih.gov/research/umls/rxnorm", "code": "11289", "display": "warfarin" }] },
                "dosage": [{ "text": "5 mg in the evening" }]
            })),
            at("MedicationStatement", "m2", json!({
                "status": "stopped", "subject": who, "medicationCodeableConcept": { "text": "digoxin" }
            })),
            at("MedicationRequest", "o", json!({
                "status": "active", "intent": "order", "subject": who, "authoredOn": "2026-01-05",
                "medicationReference": { "reference": "Medication/met" }
            })),
            at("Medication", "met", json!({ "code": { "text": "metformin" } })),
            at("MedicationRequest", "h", json!({
                "status": "active", "intent": "order", "subject": who, "authoredOn": "2026-01-06",
                "encounter": { "reference": "Encounter/e" },
                "contained": [{ "resourceType": "Medication", "id": "k", "ingredient": [
                    { "itemCodeableConcept": { "text": "黄芪" }, "strength": {
                        "numerator": { "value": 15000, "code": "mg" }, "denominator": { "value": 2, "unit": "days", "code": "d" } } },
                    { "itemCodeableConcept": { "text": "something else" } }] }],
                "medicationReference": { "reference": "#k" }
            })),
            at("Encounter", "e", json!({
                "status": "finished", "class": { "code": "AMB" }, "subject": who,
                "period": { "start": "2026-01-06", "end": "2026-01-06" }, "reasonCode": [{ "text": "cough" }],
                "participant": [{ "individual": { "reference": "Practitioner/p" } }]
            })),
            at("Practitioner", "p", json!({ "name": [{ "text": "Dr Bo Unreal" }] })),
            at("Condition", "c1", json!({ "subject": who, "code": { "text": "asthma" }, "onsetDateTime": "2010" })),
            at("Condition", "c2", json!({ "subject": who, "code": { "coding": [
                { "system": "http://hl7.org/fhir/sid/icd-10", "code": "I10", "display": "high blood pressure" }] } })),
            at("Condition", "c3", json!({ "subject": { "reference": "Patient/999" }, "code": { "text": "not hers" } })),
            at("Appointment", "ap", json!({
                "status": "booked", "start": "2026-04-01T09:30:00+02:00", "end": "2026-04-01T10:00:00+02:00",
                "participant": [{ "actor": who, "status": "accepted" }]
            })),
            at("Observation", "bp", json!({
                "status": "final", "code": { "text": "systolic pressure" }, "subject": who, "valueQuantity": { "value": 120 }
            })),
            at("Coverage", "cov", json!({ "status": "active" })),
            at("Condition", "c4", json!({
                "subject": who, "code": { "text": "gout" }, "modifierExtension": [{ "url": "http://example.org/not", "valueBoolean": true }]
            })),
        ]
    })
}

fn left_at<'a>(back: &'a Incoming, path: &str) -> &'a LeftOut {
    back.left.iter().find(|l| l.path == path).unwrap_or_else(|| panic!("{path}: {:#?}", back.left))
}

#[test]
fn a_bundle_of_another_system_makes_sense() {
    let b = foreign();
    let back = read(&MATERIA, &b).unwrap();
    assert_eq!(back, read(&MATERIA, &b).unwrap(), "the same ids again");
    let w = &back.wholes[0];
    let p = &w.person.record;
    assert!(uuid::Uuid::try_parse(&w.person.id).is_ok());
    assert_eq!(p.names, ["Dr Nina Q. Nosuch", "王小明"]);
    assert_eq!((p.born, p.sex), (None, None));
    assert_eq!((p.phone.as_str(), p.address.as_str()), ("000 111", "1 Invented Lane, Nowhere, XX"));
    let kg: Vec<_> = p.weights.iter().map(|w| (w.on, w.kg.0)).collect();
    let lb = Rational::new(45_359_237, 100_000_000).unwrap().times("154.5".parse().unwrap()).unwrap();
    assert_eq!(kg, [(date(2025, 2, 3), "70.123".parse().unwrap()), (date(2026, 2, 3), lb)]);
    assert_eq!(p.allergies.as_deref(), Some(&[][..]));
    let medicines: Vec<_> = p.medicines.iter().flatten().map(|m| (m.name.as_str(), m.dose.as_str(), m.since)).collect();
    let since = |y, m, d| Some(date(y, m, d));
    assert_eq!(
        medicines,
        [("warfarin", "5 mg in the evening", since(2024, 1, 1)), ("metformin", "", since(2026, 1, 5))]
    );
    let conditions: Vec<_> = p.conditions.iter().flatten().map(|c| c.name.as_str()).collect();
    assert_eq!(conditions, ["asthma", "high blood pressure"]);
    let v = &w.visits[0].record;
    assert_eq!((v.on, v.complaint.as_str(), v.practitioner.as_str()), (date(2026, 1, 6), "cough", "Dr Bo Unreal"));
    let rx = &w.prescriptions[0].record;
    assert_eq!(rx.visit.as_ref(), Some(&w.visits[0].id));
    assert_eq!(rx.items[0].substance.as_deref(), Some("huang-qi"));
    assert_eq!(rx.items[0].grams, Some(Exact("7.5".parse().unwrap())));
    assert_eq!((rx.items[1].name.as_str(), &rx.items[1].substance), ("something else", &None));
    let a = &w.appointments[0].record;
    assert_eq!((a.on, a.at), (date(2026, 4, 1), Some(time(9, 30, 0, 0))));
    // All else is listed.
    for (n, rest) in [
        (1, "/effectiveDateTime"),
        (2, ""),
        (3, ""),
        (4, "/maritalStatus"),
        (4, "/birthDate"),
        (4, "/telecom/1"),
        (4, "/identifier"),
        (6, "/medicationCodeableConcept/coding/0/code"),
        (7, ""),
        (8, "/status"),
        (10, "/status"),
        (13, "/onsetDateTime"),
        (14, "/code/coding/0/code"),
        (15, ""),
        (16, "/start"),
        (17, ""),
        (18, ""),
        (19, ""),
    ] {
        left_at(&back, &format!("/entry/{n}/resource{rest}"));
    }
    assert!(left_at(&back, "/link/1").why.contains("several"));
    // Order is by day, and nothing of ours is claimed.
    assert_eq!(w.person.by, "");
    assert_eq!(w.person.written, "2026-03-01T10:00:00Z".parse().unwrap());
}

#[test]
fn an_error_says_where_and_what_to_do() {
    let fails = |b: &Value| read(&MATERIA, b).unwrap_err();
    assert!(matches!(fails(&json!([])), FhirError::NotABundle { .. }));
    assert!(fails(&json!({ "resourceType": "Patient" })).to_string().contains("a Patient"));
    let mut b = foreign();
    b["type"] = "history".into();
    assert!(matches!(fails(&b), FhirError::History { .. }));
    let mut b = foreign();
    b["entry"][4]["resource"]["birthDate"] = "31.12.1980".into();
    let e = fails(&b);
    assert_eq!(
        e.to_string(),
        "`/entry/4/resource/birthDate`: `31.12.1980` is not a date, such as `2026-02-28`; correct it there"
    );
    b["entry"][4]["resource"]["birthDate"] = 1980.into();
    assert!(matches!(fails(&b), FhirError::Type { at, .. } if at == "/entry/4/resource/birthDate"));
    let mut b = foreign();
    b["entry"][1]["fullUrl"] = b["entry"][0]["fullUrl"].clone();
    assert!(matches!(fails(&b), FhirError::Twice { at, .. } if at == "/entry/1"));
}

/// Writes a bundle for tests/reference/python/fhir_resources.py: `FANGWRIGHT_BUNDLE=FILE cargo test … -- --ignored`.
#[test]
#[ignore = "writes a file"]
fn write_a_bundle() {
    let Ok(path) = std::env::var("FANGWRIGHT_BUNDLE") else { return };
    let mut seed = 1u32;
    let mut next = || {
        seed = seed.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        seed >> 8
    };
    let mut dice = Dice { rolls: (0..20_000).map(|_| next()).collect(), at: 0, ids: 0 };
    let wholes: Vec<Whole> = (0..40).map(|_| dice.whole()).collect();
    let mut text = serde_json::to_string_pretty(&out(&wholes)).unwrap();
    text.push('\n');
    std::fs::write(path, text).unwrap();
}
