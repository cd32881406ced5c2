//! What leaves the record for research, held against what is in it.
#![allow(clippy::unwrap_used, reason = "a test that cannot go on fails")]

use std::collections::{BTreeMap, BTreeSet};
use std::fs::{self, File};
use std::ops::ControlFlow;
use std::path::{Path, PathBuf};
use std::sync::LazyLock;
use std::sync::atomic::{AtomicU32, Ordering};

use fangwright_amount::Rational;
use fangwright_clinic::model::{
    Answer, Appointment, Attachment, Better, Condition, Consent, Dispensing, Kept, Measure, Medicine, Operation,
    Person, Prescription, Purpose, Reading, RxLine, Sex, Shows, Signature, Standing, Visit, Weighing, Whole,
    Withdrawal,
};
use fangwright_clinic::research::{
    Options, PASSES, PracticeCase, ResearchError, SourceError, Summary, Vocabulary, csv, parquet, practice_case,
};
use fangwright_materia::Materia;
use fangwright_materia::records::Form;
use fangwright_safety::Exact;
use jiff::civil::{Date, date};
use jiff::{Span, Timestamp, Unit};
use parquet::file::reader::{FileReader, SerializedFileReader};
use parquet::record::Field;
use proptest::prelude::*;

const KEY: [u8; 32] = [7; 32];
const TABLES: [&str; 3] = ["visits", "prescriptions", "outcomes"];

/// Stands in every text of the invented record that must not get out. Long enough not to come about in compressed bytes by chance.
const MARK: &str = "zqxwvkj";

static MATERIA: LazyLock<Materia> = LazyLock::new(Materia::embedded);
static WORDS: LazyLock<Vocabulary> = LazyLock::new(|| Vocabulary::of(&MATERIA));

// ------------------------------------------------------------------------------------------------------------- invented records

/// Numbers that look random and are the same for the same seed.
struct Dice(u64);

impl Dice {
    fn below(&mut self, n: u64) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let z = (self.0 ^ (self.0 >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        let z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        (z ^ (z >> 31)) % n
    }

    fn one_in(&mut self, n: u64) -> bool {
        self.below(n) == 0
    }

    /// One of the first `n`, the earlier ones more often.
    fn early<T: Clone>(&mut self, all: &[T], n: u64) -> T {
        let n = n.min(all.len() as u64);
        let most = self.below(n) + 1;
        all[self.below(most) as usize].clone()
    }
}

fn secret(what: &str, n: u64) -> String {
    format!("{MARK} {what} {n}")
}

fn exact(text: &str) -> Exact {
    Exact(text.parse().unwrap())
}

fn kept<B>(person: &str, kind: &str, n: u64, record: B) -> Kept<B> {
    Kept {
        id: format!("{MARK}-{kind}-{person}-{n}"),
        person: person.into(),
        version: 1,
        written: Timestamp::UNIX_EPOCH,
        by: secret("account", n),
        record,
    }
}

struct Ids {
    findings: Vec<String>,
    patterns: Vec<String>,
    formulas: Vec<String>,
    substances: Vec<String>,
}

static IDS: LazyLock<Ids> = LazyLock::new(|| {
    let library = MATERIA.library();
    Ids {
        findings: library.findings.keys().cloned().collect(),
        patterns: library.patterns.keys().cloned().collect(),
        formulas: library.formulas.iter().map(|f| f.id.clone()).collect(),
        substances: library.substances.iter().map(|s| s.id.clone()).collect(),
    }
});

fn some_ids(dice: &mut Dice, all: &[String], most: u64) -> Vec<String> {
    let n = dice.below(most + 1);
    let mut ids: Vec<String> = (0..n).map(|_| dice.early(all, 40)).collect();
    if dice.one_in(15) {
        // A name that was typed where an id belongs.
        ids.push(secret("typed", n));
    }
    ids
}

fn consents(dice: &mut Dice, to: &str) -> Vec<Consent> {
    let answer = |given, on| Consent { to: to.into(), given, on, note: secret("consent", 1) };
    let (early, late) = (date(2018, 5, 1), date(2019, 5, 1));
    match dice.below(8) {
        0 => vec![],
        1 => vec![answer(false, late), answer(true, early)],
        2 => vec![answer(true, late), answer(false, early)],
        _ => vec![answer(true, early)],
    }
}

/// Whether the consents that [`consents`] gives mean yes.
fn says_yes(person: &Person, to: &str) -> bool {
    let of_this: Vec<_> = person.consents.iter().filter(|c| c.to == to).collect();
    of_this.iter().max_by_key(|c| c.on).is_some_and(|c| c.given)
}

fn person(dice: &mut Dice, n: u64) -> Person {
    let day = date(2019, 3, 3);
    let born = date(1925 + i16::try_from(dice.below(95)).unwrap(), 6, 15);
    let sexes = if dice.one_in(6) { 6 } else { 4 };
    let mut all = consents(dice, "research");
    all.extend(consents(dice, "teaching"));
    Person {
        names: vec![secret("name", n), secret("other name", n)],
        born: (!dice.one_in(20)).then_some(born),
        sex: [Some(Sex::Female), Some(Sex::Female), Some(Sex::Male), Some(Sex::Male), Some(Sex::Other), None]
            [dice.below(sexes) as usize],
        number: secret("number", n),
        phone: secret("phone", n),
        email: secret("mail", n),
        address: secret("address", n),
        pregnant: Some(Answer { yes: false, asked: day }),
        breast_feeding: None,
        weights: vec![Weighing { on: day, kg: exact("61.75") }],
        height_cm: Some(exact("171")),
        allergies: Some(vec![secret("allergy", n)]),
        medicines: Some(vec![Medicine {
            name: secret("medicine", n),
            dose: secret("dose", n),
            since: None,
            until: None,
        }]),
        conditions: Some(vec![Condition { name: secret("condition", n), since: Some(day), until: None }]),
        diets: Some(vec![secret("diet", n)]),
        operation: Some(Operation { asked: day, on: None }),
        athlete: Some(true),
        g6pd_deficient: Some(false),
        consents: all,
        note: secret("note", n),
    }
}

fn visit(dice: &mut Dice, on: Date, n: u64) -> Visit {
    Visit {
        on,
        practitioner: secret("practitioner", n),
        complaint: secret("complaint", n),
        notes: secret("notes", n),
        findings: some_ids(dice, &IDS.findings, 8),
        absent: some_ids(dice, &IDS.findings, 3),
        tongue: secret("tongue", n),
        pulse: secret("pulse", n),
        patterns: some_ids(dice, &IDS.patterns, 2),
        reasoning: secret("reasoning", n),
        plan: secret("plan", n),
        flags: vec![secret("flag", n)],
    }
}

fn line(dice: &mut Dice, n: u64) -> RxLine {
    let grams = ["9", "4.5", "1/3", "12", "31.25", "0.6"];
    RxLine {
        name: secret("line", n),
        substance: (!dice.one_in(12)).then(|| dice.early(&IDS.substances, 60)),
        grams: (!dice.one_in(12)).then(|| exact(dice.early(&grams, 6))),
        pot: vec![],
    }
}

fn prescription(dice: &mut Dice, on: Date, visit: Option<String>, parent: Option<String>, n: u64) -> Prescription {
    let signed = Signature {
        by: secret("signer", n),
        at: Timestamp::UNIX_EPOCH,
        hash: secret("hash", n),
        findings: vec![],
        not_checked: vec![secret("not checked", n)],
    };
    let withdrawn = Withdrawal { by: secret("withdrawer", n), at: Timestamp::UNIX_EPOCH, why: secret("why", n) };
    Prescription {
        on,
        visit,
        title: secret("title", n),
        formula: (!dice.one_in(3)).then(|| dice.early(&IDS.formulas, 30)),
        items: (0..1 + dice.below(9)).map(|i| line(dice, i)).collect(),
        form: [None, Some(Form::Granules), Some(Form::Pill)][dice.below(3) as usize],
        granule_ratio: Some(exact("5")),
        days: Some(7),
        doses: Some(2),
        directions: secret("directions", n),
        patterns: vec![secret("pattern", n)],
        overrides: vec![],
        parent,
        why: secret("change", n),
        signed: (!dice.one_in(4)).then_some(signed),
        withdrawn: dice.one_in(9).then_some(withdrawn),
    }
}

fn whole(dice: &mut Dice, n: u64, most_visits: u64) -> Whole {
    let id = format!("{MARK}-person-{n}");
    let first = date(2019, 1, 1).checked_add(Span::new().days(i64::try_from(dice.below(1500)).unwrap())).unwrap();
    let mut day = first;
    let (mut visits, mut prescriptions, mut readings) = (Vec::new(), Vec::new(), Vec::new());
    let units = ["", "", "h", "kg", MARK];
    let measures: Vec<_> = (0..2u64)
        .map(|i| {
            let most = dice.one_in(2).then(|| exact("10"));
            let unit = dice.early(&units, 5).to_string();
            let better = if dice.one_in(3) { Better::More } else { Better::Less };
            let name = secret("measure", i);
            kept(&id, "measure", i, Measure { name, least: exact("0"), most, unit, better })
        })
        .collect();
    for i in 0..dice.below(most_visits + 1) {
        visits.push(kept(&id, "visit", i, visit(dice, day, i)));
        let parent = prescriptions.last().map(|p: &Kept<Prescription>| p.id.clone()).filter(|_| dice.one_in(2));
        let visit = Some(visits[i as usize].id.clone());
        if !dice.one_in(4) {
            prescriptions.push(kept(&id, "rx", i, prescription(dice, day, visit.clone(), parent, i)));
        }
        for measure in &measures {
            let value = Exact(Rational::new(i128::from(dice.below(100)), 10).unwrap());
            let reading = Reading {
                measure: measure.id.clone(),
                on: day,
                value,
                visit: visit.clone(),
                note: secret("reading", i),
            };
            readings.push(kept(&id, "reading", i, reading));
        }
        day = day.checked_add(Span::new().days(i64::try_from(1 + dice.below(200)).unwrap())).unwrap();
    }
    let dispensing = Dispensing {
        prescription: secret("rx", n),
        number: secret("label", n),
        on: first,
        dispenser: secret("dispenser", n),
        preparation: secret("preparation", n),
        days: 7,
        doses: None,
        lines: vec![],
        remarks: vec![secret("remark", n)],
        price: Some(secret("price", n)),
    };
    let appointment = Appointment {
        on: first,
        at: None,
        purpose: Purpose::Call,
        with: secret("with", n),
        about: secret("about", n),
        standing: Standing::Planned,
    };
    let attachment = Attachment {
        on: first,
        shows: Shows::Tongue,
        media: secret("media", n),
        title: secret("picture", n),
        visit: None,
        bytes: 77,
        sha256: secret("sha", n),
    };
    Whole {
        person: Kept { id: id.clone(), ..kept(&id, "person", n, person(dice, n)) },
        visits,
        prescriptions,
        dispensings: vec![kept(&id, "dispensing", 0, dispensing)],
        measures,
        readings,
        appointments: vec![kept(&id, "appointment", 0, appointment)],
        attachments: vec![kept(&id, "attachment", 0, attachment)],
    }
}

fn clinic(seed: u64, persons: u64) -> Vec<Whole> {
    let mut dice = Dice(seed);
    (0..persons).map(|n| whole(&mut dice, n, 5)).collect()
}

/// A person with visits at given ages, and nothing else.
fn aged(n: u64, sex: Option<Sex>, ages: &[i16]) -> Whole {
    let mut dice = Dice(n);
    let mut whole = whole(&mut dice, n, 0);
    whole.person.record.born = Some(date(1900, 1, 1));
    whole.person.record.sex = sex;
    whole.person.record.consents =
        vec![Consent { to: "research".into(), given: true, on: date(2020, 1, 1), note: String::new() }];
    whole.visits =
        (0..).zip(ages).map(|(i, age)| kept("x", "visit", i, visit(&mut dice, date(1900 + age, 2, 1), i))).collect();
    whole
}

// --------------------------------------------------------------------------------------------------------------------- exporting

/// A folder that is not there yet, and is taken away at the end.
struct Folder(PathBuf);

impl Folder {
    fn new() -> Folder {
        static NEXT: AtomicU32 = AtomicU32::new(0);
        let n = NEXT.fetch_add(1, Ordering::Relaxed);
        let path = std::env::temp_dir().join(format!("fangwright-research-{}-{n}", std::process::id()));
        let _ = fs::remove_dir_all(&path);
        Folder(path)
    }
}

impl Drop for Folder {
    fn drop(&mut self) {
        let _ = fs::remove_dir_all(&self.0);
    }
}

fn each(all: &[Whole], tell: &mut dyn FnMut(&Whole) -> ControlFlow<()>) -> Result<(), SourceError> {
    for whole in all {
        if tell(whole).is_break() {
            break;
        }
    }
    Ok(())
}

fn to_csv(all: &[Whole], dir: &Path, options: &Options) -> Result<Summary, ResearchError> {
    csv(&mut |tell| each(all, tell), &WORDS, dir, options, &mut |_| ControlFlow::Continue(()))
}

fn to_parquet(all: &[Whole], dir: &Path, options: &Options) -> Result<Summary, ResearchError> {
    parquet(&mut |tell| each(all, tell), &WORDS, dir, options, &mut |_| ControlFlow::Continue(()))
}

type Row = BTreeMap<String, String>;

fn csv_rows(dir: &Path, table: &str) -> Vec<Row> {
    let mut reader = ::csv::Reader::from_path(dir.join(format!("{table}.csv"))).unwrap();
    reader.deserialize().map(|row| row.unwrap()).collect()
}

fn parquet_rows(dir: &Path, table: &str) -> Vec<Row> {
    let file = File::open(dir.join(format!("{table}.parquet"))).unwrap();
    let reader = SerializedFileReader::new(file).unwrap();
    let text = |field: &Field| match field {
        Field::Null => String::new(),
        Field::Str(text) => text.clone(),
        Field::Long(number) => number.to_string(),
        Field::Double(number) => number.to_string(),
        Field::Date(days) => date(1970, 1, 1).checked_add(Span::new().days(*days)).unwrap().to_string(),
        other => panic!("{other:?} has no business here"),
    };
    let rows = reader.get_row_iter(None).unwrap();
    rows.map(|row| row.unwrap().get_column_iter().map(|(name, field)| (name.clone(), text(field))).collect()).collect()
}

fn days(from: Date, to: Date) -> i32 {
    from.until((Unit::Day, to)).unwrap().get_days()
}

fn listing(dir: &Path) -> Vec<String> {
    let Ok(all) = fs::read_dir(dir) else { return vec![] };
    all.map(|entry| entry.unwrap().file_name().into_string().unwrap()).collect()
}

// -------------------------------------------------------------------------------------------------------------------- properties

fn nothing_gets_out(dir: &Path) {
    for name in listing(dir) {
        let bytes = fs::read(dir.join(&name)).unwrap();
        let low = String::from_utf8_lossy(&bytes).to_lowercase();
        assert!(!low.contains(MARK), "{name} holds what it must not");
        assert!(!bytes.windows(32).any(|w| w == KEY), "{name} holds the key");
    }
}

fn every_pair_has_k(visits: &[Row], k: usize) {
    let mut pairs: BTreeMap<(&str, &str), BTreeSet<&str>> = BTreeMap::new();
    let mut sexes: BTreeMap<&str, BTreeSet<&str>> = BTreeMap::new();
    for row in visits {
        pairs.entry((&row["age"], &row["sex"])).or_default().insert(&row["case"]);
        sexes.entry(&row["case"]).or_default().insert(&row["sex"]);
    }
    for (pair, cases) in &pairs {
        assert!(*pair == ("", "") || cases.len() >= k, "{pair:?}: {} persons", cases.len());
    }
    assert!(sexes.values().all(|all| all.len() == 1), "one row gives away the sex that another hides");
}

fn every_id_has_k(rows: &[Row], columns: &[&str], k: usize) {
    for column in columns {
        let mut ids: BTreeMap<&str, BTreeSet<&str>> = BTreeMap::new();
        for row in rows {
            for id in row[*column].split(' ').filter(|id| !id.is_empty()) {
                ids.entry(id).or_default().insert(&row["case"]);
            }
        }
        for (id, cases) in ids {
            assert!(id == "other" || cases.len() >= k, "{column} {id}: {} persons", cases.len());
        }
    }
}

/// Days from the first visit to each visit, prescription line and reading: what has to be the same outside and inside.
type Course = [Vec<i32>; 3];

fn courses_inside(all: &[Whole]) -> Vec<Course> {
    let course = |w: &Whole| -> Course {
        let Some(first) = w.visits.first().map(|v| v.record.on) else { return Course::default() };
        let lines = w.prescriptions.iter().flat_map(|p| p.record.items.iter().map(move |_| days(first, p.record.on)));
        let mut course = [
            w.visits.iter().map(|v| days(first, v.record.on)).collect(),
            lines.collect(),
            w.readings.iter().map(|r| days(first, r.record.on)).collect::<Vec<_>>(),
        ];
        course.iter_mut().for_each(|c| c.sort_unstable());
        course
    };
    let agreed = all.iter().filter(|w| says_yes(&w.person.record, "research") && !w.visits.is_empty());
    let mut all: Vec<Course> = agreed.map(course).collect();
    all.sort();
    all
}

fn courses_outside(tables: &[Vec<Row>; 3]) -> Vec<Course> {
    let mut firsts: BTreeMap<&str, Date> = BTreeMap::new();
    let day = |row: &Row| -> Date { row["date"].parse().unwrap() };
    for row in &tables[0] {
        let first = firsts.entry(&row["case"]).or_insert_with(|| day(row));
        assert_eq!(days(*first, day(row)).to_string(), row["day"]);
    }
    let mut courses: BTreeMap<&str, Course> = BTreeMap::new();
    for (i, table) in tables.iter().enumerate() {
        for row in table {
            let case = row["case"].as_str();
            courses.entry(case).or_default()[i].push(days(firsts[case], day(row)));
        }
    }
    let mut all: Vec<Course> = courses.into_values().collect();
    all.iter_mut().flatten().for_each(|c| c.sort_unstable());
    all.sort();
    all
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(48))]
    #[test]
    fn what_leaves_the_record(seed in any::<u64>(), persons in 0u64..120, k in 2u32..8) {
        let all = clinic(seed, persons);
        let options = Options { k, key: KEY };
        let folder = Folder::new();
        let agreed = all.iter().filter(|w| says_yes(&w.person.record, "research")).count();
        let inside = courses_inside(&all);
        let summary = match to_csv(&all, &folder.0, &options) {
            Ok(summary) => summary,
            Err(ResearchError::TooFew { persons, .. }) => {
                prop_assert_eq!(persons as usize, inside.len());
                prop_assert!(inside.len() < k as usize);
                prop_assert!(!folder.0.exists());
                return Ok(());
            }
            Err(other) => panic!("{other}"),
        };
        prop_assert_eq!(to_parquet(&all, &folder.0, &options).unwrap(), summary);
        prop_assert_eq!(listing(&folder.0).len(), 6);
        nothing_gets_out(&folder.0);
        let tables = TABLES.map(|table| csv_rows(&folder.0, table));
        for (table, rows) in TABLES.iter().zip(&tables) {
            prop_assert_eq!(&parquet_rows(&folder.0, table), rows);
            prop_assert!(rows.is_sorted_by_key(|row| &row["case"]));
        }
        every_pair_has_k(&tables[0], k as usize);
        every_id_has_k(&tables[0], &["findings", "absent", "patterns"], k as usize);
        every_id_has_k(&tables[1], &["formula", "substance"], k as usize);
        every_id_has_k(&tables[2], &["unit"], k as usize);
        prop_assert_eq!(courses_outside(&tables), inside);
        let told = [summary.visits, summary.prescriptions, summary.outcomes];
        prop_assert_eq!(told.map(|n| n as usize), [tables[0].len(), tables[1].len(), tables[2].len()]);
        prop_assert_eq!(summary.left_out_no_consent as usize, all.len() - agreed);
        prop_assert_eq!(summary.left_out_empty + summary.persons, agreed as u64);
    }

    #[test]
    fn a_practice_case_tells_no_names_and_no_dates(seed in any::<u64>()) {
        for whole in clinic(seed, 5) {
            let case = practice_case(&WORDS, &whole, &KEY);
            let wanted = says_yes(&whole.person.record, "teaching") && !whole.visits.is_empty();
            prop_assert_eq!(case.is_some(), wanted);
            let Some(case) = case else { continue };
            let json = serde_json::to_string(&case).unwrap();
            prop_assert!(!json.contains(MARK), "{}", json);
            let dates = json.as_bytes().windows(10).filter_map(|w| std::str::from_utf8(w).ok()?.parse::<Date>().ok());
            prop_assert_eq!(dates.count(), 0, "{}", json);
            prop_assert_eq!(&serde_json::from_str::<PracticeCase>(&json).unwrap(), &case);
            prop_assert_eq!(case.visits.len(), whole.visits.len());
            let first = whole.visits[0].record.on;
            for (told, kept) in case.visits.iter().zip(&whole.visits) {
                prop_assert_eq!(told.day, days(first, kept.record.on));
            }
            let grams = |w: &Whole| w.prescriptions.iter().flat_map(|p| &p.record.items).map(|l| l.grams).collect::<Vec<_>>();
            let told: Vec<_> = case.prescriptions.iter().flat_map(|p| &p.lines).map(|l| l.grams).collect();
            prop_assert_eq!(told, grams(&whole));
            let values: usize = case.outcomes.iter().map(|o| o.values.len()).sum();
            prop_assert_eq!(values, whole.readings.len());
        }
    }
}

// ------------------------------------------------------------------------------------------------------------------ single cases

#[test]
fn the_same_key_gives_the_same_cases_and_another_key_others() {
    let all = clinic(1, 100);
    let mut back = all.clone();
    back.reverse();
    let export = |all: &[Whole], key| {
        let folder = Folder::new();
        to_csv(all, &folder.0, &Options::new(key)).unwrap();
        TABLES.map(|table| csv_rows(&folder.0, table))
    };
    let (first, again, other) = (export(&all, KEY), export(&back, KEY), export(&all, [8; 32]));
    assert_eq!(first, again, "whatever the order of the record");
    let column = |rows: &[Row], name: &str| rows.iter().map(|r| r[name].clone()).collect::<BTreeSet<_>>();
    assert!(column(&first[0], "case").is_disjoint(&column(&other[0], "case")));
    assert_ne!(column(&first[0], "date"), column(&other[0], "date"));
    let practice: BTreeSet<_> = all.iter().filter_map(|w| practice_case(&WORDS, w, &KEY)).map(|c| c.case).collect();
    assert!(practice.is_disjoint(&column(&first[0], "case")), "a practice case does not lead to the rows");
}

#[test]
fn an_interrupted_export_leaves_nothing() {
    let all = clinic(2, 60);
    let options = Options::new(KEY);
    let folder = Folder::new();
    let total = {
        let (whole, mut most) = (Folder::new(), 0);
        csv(&mut |t| each(&all, t), &WORDS, &whole.0, &options, &mut |done| {
            assert_eq!(done, most + 1);
            most = done;
            ControlFlow::Continue(())
        })
        .unwrap();
        most
    };
    assert!(total > 2 * all.len() as u64 && total <= PASSES * all.len() as u64);
    for stop in [1, 30, 61, 100, 121, total] {
        let mut until = |done| if done == stop { ControlFlow::Break(()) } else { ControlFlow::Continue(()) };
        let ended = csv(&mut |t| each(&all, t), &WORDS, &folder.0, &options, &mut until);
        assert!(matches!(ended, Err(ResearchError::Interrupted)), "{ended:?}");
        assert!(!folder.0.exists());
        // A folder that was there stays, with what was in it; and a source that does not listen changes nothing.
        fs::create_dir_all(&folder.0).unwrap();
        fs::write(folder.0.join("theirs.txt"), "theirs").unwrap();
        let mut deaf = |tell: &mut dyn FnMut(&Whole) -> ControlFlow<()>| {
            all.iter().for_each(|w| {
                let _ = tell(w);
            });
            Ok(())
        };
        let ended = parquet(&mut deaf, &WORDS, &folder.0, &options, &mut until);
        assert!(matches!(ended, Err(ResearchError::Interrupted)), "{ended:?}");
        assert_eq!(listing(&folder.0), ["theirs.txt"]);
        fs::remove_dir_all(&folder.0).unwrap();
    }
}

#[test]
fn what_goes_wrong_is_said_and_leaves_nothing() {
    let all = clinic(3, 60);
    let folder = Folder::new();
    let options = Options::new(KEY);
    let small = to_csv(&all, &folder.0, &Options { k: 1, key: KEY });
    assert!(matches!(small, Err(ResearchError::SmallK(1))));
    let few = to_csv(&all, &folder.0, &Options { k: 1000, key: KEY });
    assert!(matches!(few, Err(ResearchError::TooFew { k: 1000, .. })));
    let twice = to_csv(&[all.clone(), all.clone()].concat(), &folder.0, &options);
    assert!(matches!(twice, Err(ResearchError::Twice(_))));
    let mut broken = |_: &mut dyn FnMut(&Whole) -> ControlFlow<()>| Err("no such record".into());
    let source = csv(&mut broken, &WORDS, &folder.0, &options, &mut |_| ControlFlow::Continue(()));
    assert_eq!(source.unwrap_err().to_string(), "the record could not be read: no such record");
    // Between the passes somebody leaves, comes, or is a year older.
    let seen = all.iter().position(|w| says_yes(&w.person.record, "research") && w.visits.len() > 1).unwrap();
    let mut older = all.clone();
    older[seen].person.record.born = Some(date(1920, 1, 1));
    let mut fewer = all.clone();
    fewer.remove(seen);
    for (before, after) in [(&all, &older), (&all, &fewer), (&fewer, &all)] {
        let mut run = 0;
        let mut changing = |tell: &mut dyn FnMut(&Whole) -> ControlFlow<()>| {
            run += 1;
            each(if run == 1 { before } else { after }, tell)
        };
        let changed = csv(&mut changing, &WORDS, &folder.0, &options, &mut |_| ControlFlow::Continue(()));
        assert!(matches!(changed, Err(ResearchError::Changed)), "{changed:?}");
    }
    let mut late = all.clone();
    late[seen].visits[1].record.on = Date::MAX;
    late[seen].visits[0].record.on = Date::MIN;
    let day = to_csv(&late, &folder.0, &options);
    assert!(matches!(day, Err(ResearchError::Day { .. })), "{day:?}");
    assert!(!folder.0.exists());
    to_csv(&all, &folder.0, &options).unwrap();
    let before = fs::read(folder.0.join("visits.csv")).unwrap();
    let standing = to_csv(&all, &folder.0, &Options::new([9; 32]));
    assert!(matches!(standing, Err(ResearchError::Standing(_))));
    assert_eq!(fs::read(folder.0.join("visits.csv")).unwrap(), before);
    assert_eq!(listing(&folder.0).len(), 3);
    let not_a_folder = to_csv(&all, &folder.0.join("visits.csv"), &options);
    assert!(matches!(not_a_folder, Err(ResearchError::File { .. })), "{not_a_folder:?}");
}

#[test]
fn small_groups_are_told_less_of() {
    let (f, m, o) = (Some(Sex::Female), Some(Sex::Male), Some(Sex::Other));
    let groups: [(Option<Sex>, &[i16], u64); 8] = [
        (f, &[31], 5),
        (f, &[36], 2),
        (f, &[41], 5),
        (f, &[91], 2),
        (m, &[51], 3),
        (m, &[71], 3),
        (o, &[32], 2),
        // A man of common age, and once of a rare one.
        (m, &[51, 88], 2),
    ];
    let mut all = Vec::new();
    for (sex, ages, count) in groups {
        for _ in 0..count {
            all.push(aged(all.len() as u64, sex, ages));
        }
    }
    let folder = Folder::new();
    let summary = to_csv(&all, &folder.0, &Options::new(KEY)).unwrap();
    let mut told: BTreeMap<(String, String), u32> = BTreeMap::new();
    for row in csv_rows(&folder.0, "visits") {
        *told.entry((row["age"].clone(), row["sex"].clone())).or_default() += 1;
    }
    let pair = |age: &str, sex: &str| (age.to_string(), sex.to_string());
    // The two women of 91 would be the only ones without age, so that their sex goes too. Five men are of 51; the three of 71 and the
    // two visits at 88 together are five without age.
    let wanted = [
        (pair("", ""), 4),
        (pair("", "male"), 5),
        (pair("30-39", "female"), 7),
        (pair("40-44", "female"), 5),
        (pair("50-54", "male"), 5),
    ];
    assert_eq!(told, BTreeMap::from(wanted));
    assert_eq!((summary.persons, summary.visits), (24, 26));
    assert_eq!((summary.ages_widened, summary.ages_blanked, summary.sexes_blanked), (7, 9, 4));
}

#[test]
fn versions_follow_parents_even_in_a_ring() {
    let mut all = clinic(4, 40);
    let agreed = Consent { to: "research".into(), given: true, on: date(2022, 1, 1), note: String::new() };
    let mut dice = Dice(5);
    let mut rx = |n: u64, parent: Option<u64>| {
        let id = |n| format!("{MARK}-rx-p-{n}");
        let on = date(2022, 1, 1).checked_add(Span::new().days(i64::try_from(n).unwrap())).unwrap();
        let mut rx = kept("p", "rx", n, prescription(&mut dice, on, None, parent.map(id), n));
        rx.record.items.truncate(1);
        rx
    };
    let one = &mut all[0];
    one.person.record.consents = vec![agreed];
    one.visits.clear();
    one.readings.clear();
    one.prescriptions =
        vec![rx(0, None), rx(1, Some(0)), rx(2, Some(1)), rx(3, Some(99)), rx(4, Some(5)), rx(5, Some(4))];
    let folder = Folder::new();
    to_csv(&all, &folder.0, &Options::new(KEY)).unwrap();
    let seen: BTreeSet<_> = csv_rows(&folder.0, "visits").into_iter().map(|r| r["case"].clone()).collect();
    let rows = csv_rows(&folder.0, "prescriptions");
    let told: Vec<_> = rows
        .iter()
        .filter(|r| !seen.contains(&r["case"]))
        .map(|r| [r["prescription"].as_str(), r["parent"].as_str(), r["version"].as_str()])
        .collect();
    assert_eq!(told[..4], [["1", "", "1"], ["2", "1", "2"], ["3", "2", "3"], ["4", "", "1"]]);
    assert_eq!((told[4][1], told[5][1], told.len()), ("6", "5", 6));
}

#[test]
fn a_practice_case_has_a_schema() {
    let schema = schemars::schema_for!(PracticeCase);
    let text = schema.to_value().to_string();
    for field in ["age", "sex", "visits", "prescriptions", "outcomes", "findings", "grams"] {
        assert!(text.contains(&format!("\"{field}\"")), "{field}");
    }
}

#[test]
fn options_do_not_show_their_key() {
    assert_eq!(format!("{:?}", Options::new([201; 32])), "Options { k: 5, .. }");
}

/// The most memory this process ever held, in megabytes; nothing where the system does not say.
fn peak() -> Option<u64> {
    let status = fs::read_to_string("/proc/self/status").ok()?;
    let line = status.lines().find_map(|l| l.strip_prefix("VmHWM:"))?;
    line.trim().trim_end_matches(" kB").parse::<u64>().ok().map(|kb| kb / 1024)
}

/// For `research.py` as well: `RESEARCH_DIR=DIR cargo test … -- --ignored --exact a_large_clinic_in_little_memory` leaves the files there.
#[test]
#[ignore = "takes a minute or more without optimisation; run alone, since memory is of the whole process"]
fn a_large_clinic_in_little_memory() {
    let persons: u64 = std::env::var("RESEARCH_PERSONS").ok().map_or(20_000, |n| n.parse().unwrap());
    let wanted = std::env::var_os("RESEARCH_DIR").map(PathBuf::from);
    let folder = Folder::new();
    let dir = wanted.as_deref().unwrap_or(&folder.0);
    let mut stream = |tell: &mut dyn FnMut(&Whole) -> ControlFlow<()>| {
        for n in 0..persons {
            // Ten visits each on average.
            if tell(&whole(&mut Dice(n), n, 20)).is_break() {
                break;
            }
        }
        Ok(())
    };
    let (_, _) = (WORDS.clone(), IDS.findings.len());
    let before = peak();
    let options = Options::new(KEY);
    let start = std::time::Instant::now();
    let first = csv(&mut stream, &WORDS, dir, &options, &mut |_| ControlFlow::Continue(())).unwrap();
    let middle = std::time::Instant::now();
    let second = parquet(&mut stream, &WORDS, dir, &options, &mut |_| ControlFlow::Continue(())).unwrap();
    println!(
        "{first:#?}\ncsv {:?}, parquet {:?}, memory before {before:?} MB, at most {:?} MB",
        middle - start,
        middle.elapsed(),
        peak()
    );
    assert_eq!(first, second);
    if let (Some(before), Some(peak)) = (before, peak()) {
        assert!(peak - before < 100, "{before} MB before, {peak} MB at most");
    }
}
