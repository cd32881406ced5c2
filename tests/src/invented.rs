//! An invented clinic of any size: the same people, visits and prescriptions from the same seed, to try a store on that is as full as
//! after years of work.
//!
//! Nobody in it is anybody: names are put together by chance from characters and syllables, and telephones and addresses lead nowhere.

use std::sync::Arc;
use std::sync::mpsc::sync_channel;

use fangwright_amount::Rational;
use fangwright_clinic::accounts::{self, Role};
use fangwright_clinic::audit::sha256;
use fangwright_clinic::model::{
    Appointment, Better, Body, Condition, Consent, DispensedLine, Dispensing, Kept, Measure, Medicine, Person,
    Prescription, Purpose, Reading, RxLine, Sex, Signature, Standing, Visit, Weighing, Whole,
};
use fangwright_clinic::{ClinicError, Store, Tx};
use fangwright_materia::Materia;
use fangwright_materia::records::{ConditionKind, Finding, FindingKind, Form, Formula, Substance};
use fangwright_safety::Exact;
use jiff::civil::{Date, date, time};
use jiff::tz::TimeZone;
use jiff::{Span, Timestamp};

/// The last day there is anything of.
pub const DAY: Date = date(2026, 11, 25);

/// What every account logs in with.
pub const PASSWORD: &str = "an invented password";

/// Where the dice begin.
const SEED: u64 = 2026;
/// Days from the first visit of all to the last.
const FIVE_YEARS: usize = 1826;
/// People that are kept with one commit.
const TOGETHER: usize = 50;
/// Who works there: so many of each role.
const STAFF: [(Role, usize); 5] =
    [(Role::Practitioner, 10), (Role::Dispenser, 4), (Role::FrontDesk, 4), (Role::Student, 3), (Role::Auditor, 1)];

/// Dice that fall the same way from the same seed (xorshift64*).
#[derive(Debug, Clone)]
pub struct Dice(u64);

impl Dice {
    /// Dice that begin at a seed.
    pub fn new(seed: u64) -> Dice {
        // From nought they would never get away.
        Dice(seed.wrapping_add(1).wrapping_mul(0x9e37_79b9_7f4a_7c15) | 1)
    }

    /// 64 bits.
    pub fn roll(&mut self) -> u64 {
        self.0 ^= self.0 >> 12;
        self.0 ^= self.0 << 25;
        self.0 ^= self.0 >> 27;
        self.0.wrapping_mul(0x2545_f491_4f6c_dd1d)
    }

    /// A number from 0 to less than `n`; 0 where `n` is 0.
    pub fn below(&mut self, n: usize) -> usize {
        (self.roll() >> 32) as usize % n.max(1)
    }

    /// Whether something holds that does so in `percent` of a hundred cases.
    pub fn percent(&mut self, percent: usize) -> bool {
        self.below(100) < percent
    }

    /// One of a list.
    ///
    /// # Panics
    /// If the list is empty.
    pub fn of<T: Copy>(&mut self, list: &[T]) -> T {
        list[self.below(list.len())]
    }
}

/// Surnames, some of them in traditional characters, with how they are read.
const SURNAMES: &str = "王 wang 李 li 张 zhang 張 zhang 刘 liu 劉 liu 陈 chen 陳 chen 杨 yang 楊 yang 赵 zhao 黄 huang \
    周 zhou 吴 wu 吳 wu 徐 xu 孙 sun 孫 sun 胡 hu 朱 zhu 高 gao 林 lin 何 he 郭 guo 马 ma 馬 ma 罗 luo \
    羅 luo 梁 liang 宋 song 郑 zheng 鄭 zheng 谢 xie 謝 xie 韩 han 唐 tang 冯 feng 馮 feng 于 yu 董 dong \
    萧 xiao 程 cheng 曹 cao 袁 yuan 邓 deng 鄧 deng 许 xu 許 xu 傅 fu 沈 shen";

/// Characters of given names, some of them traditional, with how they are read.
const GIVEN: &str = "明 ming 华 hua 華 hua 丽 li 麗 li 伟 wei 偉 wei 芳 fang 娜 na 敏 min 静 jing 靜 jing 强 qiang 磊 lei \
    军 jun 軍 jun 洋 yang 勇 yong 艳 yan 杰 jie 娟 juan 涛 tao 濤 tao 超 chao 秀 xiu 霞 xia 平 ping \
    刚 gang 桂 gui 英 ying 文 wen 玉 yu 兰 lan 蘭 lan 红 hong 紅 hong 梅 mei 云 yun 雲 yun 峰 feng \
    雪 xue 春 chun 秋 qiu 晨 chen 阳 yang 陽 yang 思 si 雨 yu 欣 xin 怡 yi 佳 jia 浩 hao 宇 yu 涵 han \
    梓 zi 诗 shi 詩 shi 远 yuan 遠 yuan 宁 ning 寧 ning 安 an 国 guo 國 guo 建 jian 志 zhi 海 hai \
    清 qing";

const FIRST_HEADS: [&str; 25] = [
    "Al", "Bri", "Cor", "Dal", "El", "Fen", "Gar", "Hol", "Il", "Jor", "Kel", "Lor", "Mar", "Nor", "Or", "Pel", "Quin",
    "Ros", "Syl", "Tam", "Ul", "Ver", "Wil", "Yar", "Zel",
];
const FIRST_TAILS: [&str; 14] = ["a", "an", "eth", "ia", "in", "is", "na", "o", "on", "ra", "us", "wen", "ly", "mir"];
const LAST_HEADS: [&str; 24] = [
    "Ash", "Bracken", "Brook", "Clay", "Elder", "Fern", "Gorse", "Hazel", "Heron", "Juniper", "Lark", "Linden",
    "Marsh", "Moss", "Oak", "Otter", "Plum", "Reed", "Rowan", "Stone", "Thistle", "Thorn", "Willow", "Winter",
];
const LAST_TAILS: [&str; 16] = [
    "acre", "bank", "bough", "burn", "combe", "croft", "field", "gate", "hurst", "mere", "moor", "ridge", "shaw",
    "stead", "wick", "worth",
];

const ENGLISH: [&str; 24] = [
    "Sleep is broken since the new job",
    "Wakes at three and lies there until five",
    "Better on the days with a walk",
    "Worse after fried food and late meals",
    "Cold hands even in the warm room",
    "The cough is less, phlegm still in the morning",
    "Appetite comes back slowly",
    "Feels heavy after lunch",
    "Took the last bags as agreed",
    "Left out two doses while travelling",
    "Stool once a day, formed",
    "Stool loose on two days of the week",
    "Periods a few days late, some cramps",
    "Shoulders are tight from sitting",
    "Less irritable than last time",
    "Drinks little, prefers warm water",
    "Night sweats twice since the last visit",
    "No fever, no chills",
    "Ringing in the left ear when tired",
    "Back aches when standing for long",
    "Mouth dry in the evening",
    "Says the taste was hard to bear at first",
    "Blood pressure taken at home was as usual",
    "To be seen again in two weeks",
];

const CHINESE: [&str; 24] = [
    "近来睡眠差，半夜易醒",
    "醒后难再入睡",
    "饭后腹胀，嗳气后减轻",
    "吃油腻后加重",
    "手脚怕冷，喜热饮",
    "咳嗽减轻，早上仍有痰",
    "胃口渐好",
    "下午容易疲倦",
    "上次的药已按时服完",
    "出差时漏服两次",
    "大便每日一次，成形",
    "本周大便偏稀两天",
    "月经推后几天，小腹略痛",
    "肩颈紧，久坐后明显",
    "心情比上次平稳",
    "口干不多饮",
    "夜间出汗两次",
    "無發熱惡寒",
    "勞累後左耳鳴",
    "久站腰酸",
    "早晨口苦",
    "服藥後胃中舒服",
    "在家量血压如常",
    "两周后复诊",
];

const TONGUES: [&str; 10] = [
    "pale red, thin white coating",
    "pale, teeth marks, white coating",
    "red tip, thin yellow coating",
    "dusky, thin coating",
    "red, little coating",
    "舌淡红，苔薄白",
    "舌淡胖，苔白腻",
    "舌红，苔黄",
    "舌暗，苔薄",
    "舌紅少苔",
];

const PULSES: [&str; 10] = [
    "wiry",
    "wiry and thin",
    "slippery",
    "deep and weak",
    "thin and rapid",
    "脉弦",
    "脉细弱",
    "脉沉细",
    "脉滑",
    "脈弦細",
];

const MEASURES: [&str; 8] = [
    "how badly I sleep",
    "pain in the stomach",
    "tiredness after lunch",
    "cramps",
    "失眠的程度",
    "胃痛",
    "疲劳",
    "腰痛",
];

/// How a name is read aloud: surname and given name in pinyin; nothing where a character is none of an invented name.
pub fn spoken(name: &str) -> Option<String> {
    let mut characters = name.chars();
    let read = |list: &'static str, c: char| list.split(' ').skip_while(|word| !word.chars().eq([c])).nth(1);
    let surname = read(SURNAMES, characters.next()?)?;
    let given: Option<Vec<&str>> = characters.map(|c| read(GIVEN, c)).collect();
    Some(format!("{surname} {}", given?.concat()))
}

/// What is taken from the trade's own data, and the characters of names.
struct Trade {
    m: &'static Materia,
    surnames: Vec<&'static str>,
    given: Vec<&'static str>,
    findings: Vec<(&'static str, &'static Finding)>,
    /// Patterns, each with findings that go with it.
    patterns: Vec<(&'static str, Vec<&'static str>)>,
    bases: Vec<&'static Formula>,
    substances: Vec<&'static Substance>,
    medicines: Vec<&'static str>,
    diseases: Vec<&'static str>,
    allergies: Vec<&'static str>,
}

impl Trade {
    fn new(m: &'static Materia) -> Trade {
        let library = m.library();
        let felt = |f: &Finding| matches!(f.kind, FindingKind::Symptom | FindingKind::Sign);
        let findings = library.findings.iter().filter(|(_, f)| felt(f)).map(|(id, f)| (id.as_str(), f)).collect();
        let patterns = library.patterns.iter().map(|(id, p)| {
            let known = |f: &&String| library.findings.contains_key(f.as_str());
            (id.as_str(), p.cardinal.iter().chain(&p.usual).filter(known).map(String::as_str).collect::<Vec<&str>>())
        });
        let whole = |f: &Formula| {
            let weighed = |i: &fangwright_materia::records::Ingredient| {
                i.grams.is_some_and(Rational::is_positive) && m.substance_by_id(&i.substance).is_some()
            };
            f.form == Form::Decoction && (4..=14).contains(&f.ingredients.len()) && f.ingredients.iter().all(weighed)
        };
        let bases: Vec<&'static Formula> = m.formulas().map(|(_, f)| f).filter(|f| whole(f)).collect();
        let mut used: Vec<&str> = bases.iter().flat_map(|f| &f.ingredients).map(|i| i.substance.as_str()).collect();
        used.sort_unstable();
        used.dedup();
        let of_kind = |kind: ConditionKind| {
            library.safety.conditions.iter().filter(|(_, c)| c.kind == kind).map(|(id, _)| id.as_str()).collect()
        };
        Trade {
            m,
            surnames: SURNAMES.split(' ').step_by(2).collect(),
            given: GIVEN.split(' ').step_by(2).collect(),
            findings,
            patterns: patterns.collect(),
            substances: used.iter().filter_map(|id| Some(m.substance(m.substance_by_id(id)?))).collect(),
            bases,
            medicines: library.safety.medicines.keys().map(String::as_str).collect(),
            diseases: of_kind(ConditionKind::Disease),
            allergies: of_kind(ConditionKind::Allergy),
        }
    }

    fn substance(&self, id: &str) -> Option<&'static Substance> {
        self.m.substance_by_id(id).map(|ix| self.m.substance(ix))
    }
}

/// Whoever invents.
pub struct Inventor {
    trade: Arc<Trade>,
    /// The dice that are thrown for everything.
    pub dice: Dice,
    people: usize,
    bags: usize,
}

impl Inventor {
    /// Over the records of the trade, from a seed.
    pub fn new(m: &'static Materia, seed: u64) -> Inventor {
        Inventor { trade: Arc::new(Trade::new(m)), dice: Dice::new(seed), people: 0, bags: 0 }
    }

    /// Another one over the same records, from another seed.
    pub fn another(&self, seed: u64) -> Inventor {
        Inventor { trade: self.trade.clone(), dice: Dice::new(seed), people: 0, bags: 0 }
    }

    /// Chinese and English term of a finding.
    pub fn finding(&mut self) -> (&'static str, &'static str) {
        let (_, f) = self.dice.of(&self.trade.findings);
        (&f.zh, &f.en)
    }

    /// A substance that prescriptions hold.
    pub fn substance(&mut self) -> &'static Substance {
        self.dice.of(&self.trade.substances)
    }

    fn name(&mut self) -> String {
        let (d, trade) = (&mut self.dice, &self.trade);
        if d.percent(50) {
            let mut name = d.of(&trade.surnames).to_string();
            for _ in 0..1 + usize::from(d.percent(70)) {
                name.push_str(d.of(&trade.given));
            }
            return name;
        }
        let first = format!("{}{}", d.of(&FIRST_HEADS), d.of(&FIRST_TAILS));
        format!("{first} {}{}", d.of(&LAST_HEADS), d.of(&LAST_TAILS))
    }

    fn perhaps_some(&mut self, list: &[&'static str], unasked: usize, none: usize) -> Option<Vec<&'static str>> {
        if self.dice.percent(unasked) {
            return None;
        }
        if list.is_empty() || self.dice.percent(none) {
            return Some(Vec::new());
        }
        let mut some: Vec<&str> = (0..1 + self.dice.below(2)).map(|_| self.dice.of(list)).collect();
        some.dedup();
        Some(some)
    }

    fn consents(&mut self, on: Date) -> Vec<Consent> {
        let mut all = vec![Consent { to: "treatment".into(), given: true, on, note: String::new() }];
        for (to, percent) in [("research", 80), ("teaching", 60)] {
            let given = self.dice.percent(percent);
            all.push(Consent { to: to.into(), given, on, note: String::new() });
        }
        all
    }

    /// A person who comes for the first time on a day.
    pub fn person(&mut self, on: Date) -> Person {
        self.people += 1;
        let trade = self.trade.clone();
        let name = self.name();
        let mut names = vec![name.clone()];
        if self.dice.percent(10) {
            names.extend(spoken(&name));
        }
        let allergies = self.perhaps_some(&trade.allergies, 15, 80);
        let medicines = self.perhaps_some(&trade.medicines, 15, 60);
        let conditions = self.perhaps_some(&trade.diseases, 15, 60);
        let medicine = |name: &str| Medicine { name: name.into(), dose: String::new(), since: None, until: None };
        let condition = |name: &str| Condition { name: name.into(), since: None, until: None };
        let consents = self.consents(on);
        let d = &mut self.dice;
        // Days of a month that each month has.
        let born = date(1930 + d.below(88) as i16, 1 + d.below(12) as i8, 1 + d.below(28) as i8);
        let kg = Exact(Rational::from(45 + d.below(50) as i32));
        Person {
            names,
            born: Some(born),
            sex: Some(if d.percent(60) { Sex::Female } else { Sex::Male }),
            number: format!("P{:06}", self.people),
            phone: format!("0{:03} {:06}", 100 + d.below(900), d.below(1_000_000)),
            email: if d.percent(30) { format!("p{}@herbs.example", self.people) } else { String::new() },
            address: if d.percent(40) {
                format!("{} {} Lane", 1 + d.below(99), d.of(&LAST_HEADS))
            } else {
                String::new()
            },
            weights: if d.percent(50) { vec![Weighing { on, kg }] } else { Vec::new() },
            allergies: allergies.map(|all| all.into_iter().map(str::to_string).collect()),
            medicines: medicines.map(|all| all.into_iter().map(medicine).collect()),
            conditions: conditions.map(|all| all.into_iter().map(condition).collect()),
            consents,
            ..Person::default()
        }
    }

    fn phrase(&mut self, chinese: bool) -> String {
        if self.dice.percent(25) {
            let (zh, en) = self.finding();
            return if chinese { format!("自述{zh}") } else { format!("Mentions {en}") };
        }
        if chinese { self.dice.of(&CHINESE).into() } else { self.dice.of(&ENGLISH).into() }
    }

    /// From 60 to 200 characters, mostly in one language.
    fn text(&mut self, chinese: bool) -> String {
        let wanted = 60 + self.dice.below(110);
        let mut text = String::new();
        while text.chars().count() < wanted {
            let chinese = chinese != self.dice.percent(15);
            text.push_str(&self.phrase(chinese));
            text.push_str(if chinese { "。" } else { ". " });
        }
        text.chars().take(200).collect()
    }

    /// A visit on a day, with patterns and findings of the library.
    pub fn visit(&mut self, on: Date, practitioner: &str) -> Visit {
        let trade = self.trade.clone();
        let chinese = self.dice.percent(50);
        let mut patterns: Vec<String> = Vec::new();
        let mut findings: Vec<&str> = Vec::new();
        for _ in 0..1 + self.dice.below(2) {
            let (id, usual) = &trade.patterns[self.dice.below(trade.patterns.len())];
            if patterns.iter().any(|p| p == id) {
                continue;
            }
            patterns.push((*id).to_string());
            if !usual.is_empty() {
                findings.extend((0..2).map(|_| self.dice.of(usual)));
            }
        }
        findings.sort_unstable();
        findings.dedup();
        let wanted = 3 + self.dice.below(6);
        while findings.len() < wanted {
            let (id, _) = self.dice.of(&trade.findings);
            if !findings.contains(&id) {
                findings.push(id);
            }
        }
        let (not, _) = self.dice.of(&trade.findings);
        Visit {
            on,
            practitioner: practitioner.into(),
            complaint: self.phrase(chinese),
            notes: self.text(chinese),
            absent: if findings.contains(&not) { Vec::new() } else { vec![not.into()] },
            findings: findings.into_iter().map(str::to_string).collect(),
            tongue: self.dice.of(&TONGUES).into(),
            pulse: self.dice.of(&PULSES).into(),
            patterns,
            reasoning: String::new(),
            plan: if chinese { "守方加减".into() } else { "Go on with small changes".into() },
            flags: Vec::new(),
        }
    }

    fn vary(&mut self, items: &mut Vec<RxLine>, chinese: bool) {
        match self.dice.below(3) {
            0 if items.len() > 3 => drop(items.remove(self.dice.below(items.len()))),
            1 => {
                let s = self.substance();
                if !items.iter().any(|l| l.substance.as_ref() == Some(&s.id)) {
                    let grams = Rational::from(self.dice.of(&[3, 6, 9, 10, 12, 15]));
                    items.push(line(s, Some(grams), chinese));
                }
            }
            _ => {
                let (at, by) = (self.dice.below(items.len()), Rational::from(self.dice.of(&[-3, 3])));
                if let Some(l) = items.get_mut(at)
                    && let Some(grams) = l.grams.and_then(|g| g.0.plus(by)).filter(|g| g.is_positive())
                {
                    l.grams = Some(Exact(grams));
                }
            }
        }
    }

    /// A prescription on a day: a formula of the library with one to three changes, not signed.
    pub fn prescription(&mut self, on: Date, patterns: &[String]) -> Prescription {
        let trade = self.trade.clone();
        // Some formulas are written again and again, most of them rarely.
        let most = self.dice.below(trade.bases.len());
        let base = trade.bases[self.dice.below(most + 1)];
        let chinese = self.dice.percent(50);
        let of =
            |i: &fangwright_materia::records::Ingredient| Some(line(trade.substance(&i.substance)?, i.grams, chinese));
        let mut items: Vec<RxLine> = base.ingredients.iter().filter_map(of).collect();
        for _ in 0..1 + self.dice.below(3) {
            self.vary(&mut items, chinese);
        }
        Prescription {
            on,
            visit: None,
            title: if chinese { format!("{}加减", base.hanzi) } else { format!("{}, changed", base.pinyin) },
            formula: Some(base.id.clone()),
            items,
            form: None,
            granule_ratio: None,
            days: Some(self.dice.of(&[5, 7, 7, 10, 14])),
            doses: Some(2),
            directions: if chinese {
                "水煎，早晚温服".into()
            } else {
                "boil twice, half in the morning, half at night".into()
            },
            patterns: patterns.to_vec(),
            overrides: Vec::new(),
            parent: None,
            why: String::new(),
            signed: None,
            withdrawn: None,
        }
    }

    fn dispensing(&mut self, id: &str, rx: &Prescription, dispenser: &str) -> Option<Dispensing> {
        let days = rx.days.unwrap_or(7);
        let course = Rational::from(i128::from(days));
        let quarter = format!("{:02}{}", rx.on.year() % 100, 1 + (rx.on.month() - 1) / 3);
        let lines: Vec<DispensedLine> = rx
            .items
            .iter()
            .filter_map(|l| {
                let (substance, grams) = (l.substance.clone()?, l.grams?.0.times(course)?);
                // One lot of each substance a quarter.
                let mark = substance.bytes().fold(7u32, |h, b| h.wrapping_mul(31).wrapping_add(b.into())) % 1000;
                let (product, lot) = (format!("{substance}-cut"), format!("{quarter}-{mark:03}"));
                Some(DispensedLine { substance, product, lot, grams: Exact(grams) })
            })
            .collect();
        if lines.is_empty() {
            return None;
        }
        self.bags += 1;
        Some(Dispensing {
            prescription: id.into(),
            number: format!("D-{:07}", self.bags),
            on: rx.on,
            dispenser: dispenser.into(),
            preparation: "raw-decoction".into(),
            days,
            doses: rx.doses,
            lines,
            remarks: Vec::new(),
            price: Some(format!("{}.{}0", 20 + self.dice.below(80), self.dice.below(10))),
        })
    }

    /// A day to come or to be called some weeks after another.
    pub fn appointment(&mut self, after: Date, with: &str) -> Appointment {
        let on = later(after, 7 + self.dice.below(50));
        let standing = match self.dice.below(20) {
            _ if on > DAY => Standing::Planned,
            // Now and then nobody writes down how it went.
            0 => Standing::Planned,
            1 | 2 => Standing::Missed,
            _ => Standing::Kept,
        };
        Appointment {
            on,
            at: Some(time(9 + self.dice.below(9) as i8, 15 * self.dice.below(4) as i8, 0, 0)),
            purpose: if self.dice.percent(70) { Purpose::Call } else { Purpose::Visit },
            with: with.into(),
            about: if self.dice.percent(50) { "how the bags were borne".into() } else { "问服药情况".into() },
            standing,
        }
    }

    /// An id as the record makes them (UUID version 7, RFC 9562), from the dice.
    fn id(&mut self, at: Timestamp) -> String {
        let ms = at.as_millisecond() as u64 & 0xffff_ffff_ffff;
        let (a, b) = (self.dice.roll(), self.dice.roll());
        format!(
            "{:08x}-{:04x}-7{:03x}-{:04x}-{:012x}",
            ms >> 16,
            ms & 0xffff,
            a & 0xfff,
            0x8000 | ((a >> 12) & 0x3fff),
            b & 0xffff_ffff_ffff
        )
    }

    fn moment(&mut self, on: Date) -> Timestamp {
        let at = on.at(9 + self.dice.below(9) as i8, self.dice.below(60) as i8, self.dice.below(60) as i8, 0);
        TimeZone::UTC.to_timestamp(at).unwrap_or(Timestamp::UNIX_EPOCH)
    }

    fn kept<B: Body>(&mut self, person: &str, by: &str, at: Timestamp, record: B) -> Kept<B> {
        Kept { id: self.id(at), person: person.into(), version: 1, written: at, by: by.into(), record }
    }

    /// Days of so many visits, the first first.
    fn days(&mut self, count: usize) -> Vec<Date> {
        let gaps: Vec<usize> = (1..count).map(|_| 5 + self.dice.below(41)).collect();
        let length: usize = gaps.iter().sum();
        let ago = length + self.dice.below(FIVE_YEARS.saturating_sub(length));
        let mut at = DAY.saturating_add(Span::new().days(-(ago as i64)));
        let mut days = vec![at];
        for gap in gaps {
            at = later(at, gap);
            days.push(at);
        }
        days
    }

    /// One more visit of a person, with all that comes of it.
    fn come(&mut self, whole: &mut Whole, carer: &str, dispensers: &[String], number: usize, on: Date) {
        let person = whole.person.id.clone();
        let at = self.moment(on);
        let visit = self.visit(on, carer);
        let visit = self.kept(&person, carer, at, visit);
        let mut rx = self.prescription(on, &visit.record.patterns);
        rx.visit = Some(visit.id.clone());
        if let Some(before) = whole.prescriptions.last() {
            (rx.parent, rx.why) = (Some(before.id.clone()), "as found today".into());
        }
        let rx = self.kept(&person, carer, at, signed(rx, carer, at));
        if number.is_multiple_of(2) {
            let dispenser = dispensers.get(self.dice.below(dispensers.len())).map_or("", String::as_str);
            if let Some(bag) = self.dispensing(&rx.id, &rx.record, dispenser) {
                whole.dispensings.push(self.kept(&person, dispenser, at, bag));
            }
        } else if let Some(measure) = whole.measures.first().map(|m| m.id.clone()) {
            let better = i32::try_from(number).unwrap_or(20);
            let halves = (16 - better + self.dice.below(7) as i32 - 3).clamp(0, 20);
            let value = Exact(Rational::new(i128::from(halves), 2).unwrap_or(Rational::ZERO));
            let reading = Reading { measure, on, value, visit: Some(visit.id.clone()), note: String::new() };
            whole.readings.push(self.kept(&person, carer, at, reading));
        }
        if self.dice.percent(12) {
            let day = self.appointment(on, carer);
            whole.appointments.push(self.kept(&person, carer, at, day));
        }
        whole.visits.push(visit);
        whole.prescriptions.push(rx);
    }

    /// All of one person who came so many times.
    fn whole(&mut self, carer: &str, dispensers: &[String], visits: usize) -> Whole {
        let days = self.days(visits);
        let first = days.first().copied().unwrap_or(DAY);
        let at = self.moment(first);
        let record = self.person(first);
        let id = self.id(at);
        let person = Kept { id: id.clone(), person: id.clone(), version: 1, written: at, by: carer.into(), record };
        let measure = Measure {
            name: self.dice.of(&MEASURES).into(),
            least: Exact(Rational::ZERO),
            most: Some(Exact(Rational::from(10))),
            unit: String::new(),
            better: Better::Less,
        };
        let measure = self.kept(&id, carer, at, measure);
        let mut whole = Whole {
            person,
            visits: Vec::new(),
            prescriptions: Vec::new(),
            dispensings: Vec::new(),
            measures: vec![measure],
            readings: Vec::new(),
            appointments: Vec::new(),
            attachments: Vec::new(),
        };
        for (number, on) in days.into_iter().enumerate() {
            self.come(&mut whole, carer, dispensers, number, on);
        }
        whole
    }

    /// The people that are kept with one commit, each with who cares for them.
    fn lot(&mut self, carers: &[String], dispensers: &[String], left: &mut usize) -> Vec<(String, Whole)> {
        let mut lot = Vec::with_capacity(TOGETHER);
        while lot.len() < TOGETHER && *left > 0 {
            let visits = (1 + self.dice.below(19)).min(*left);
            *left -= visits;
            let carer = carers[self.people % carers.len()].clone();
            let whole = self.whole(&carer, dispensers, visits);
            lot.push((carer, whole));
        }
        lot
    }
}

fn line(s: &Substance, grams: Option<Rational>, chinese: bool) -> RxLine {
    RxLine {
        name: if chinese { s.hanzi.clone() } else { s.pinyin.clone() },
        substance: Some(s.id.clone()),
        grams: grams.map(Exact),
        ..RxLine::default()
    }
}

/// Some days later.
pub fn later(on: Date, days: usize) -> Date {
    on.saturating_add(Span::new().days(days as i64))
}

/// The same, signed; nobody checked it.
pub fn signed(rx: Prescription, by: &str, at: Timestamp) -> Prescription {
    let rx = Prescription { signed: None, withdrawn: None, ..rx };
    let body = serde_json::to_string(&rx).unwrap_or_default();
    let hash = sha256(body.as_bytes());
    let signature = Signature { by: by.into(), at, hash, findings: Vec::new(), not_checked: Vec::new() };
    Prescription { signed: Some(signature), ..rx }
}

/// What was filled in.
#[derive(Debug, Clone)]
pub struct Filled {
    /// Ids of accounts with their roles; all have [`PASSWORD`].
    pub accounts: Vec<(String, Role)>,
    /// How many people.
    pub people: usize,
    /// How many visits.
    pub visits: usize,
    /// How many records of all kinds.
    pub records: usize,
}

fn staff(store: &Store) -> Vec<(String, Role)> {
    let mut all = Vec::new();
    for (role, count) in STAFF {
        for number in 1..=count {
            let id = format!("{}-{number:02}", role.word());
            accounts::add(store, &id, role, &format!("Invented {id}"), PASSWORD)
                .unwrap_or_else(|e| panic!("{id}: {e}"));
            all.push((id, role));
        }
    }
    all
}

fn each<B: Body>(tx: &mut Tx<'_>, who: &str, all: Vec<Kept<B>>) -> Result<(), ClinicError> {
    for record in all {
        tx.take_in(who, record)?;
    }
    Ok(())
}

fn keep(tx: &mut Tx<'_>, lot: Vec<(String, Whole)>) -> Result<(), ClinicError> {
    for (carer, of) in lot {
        let person = of.person.id.clone();
        tx.take_in(&carer, of.person)?;
        tx.take_into_care(&carer, &carer, &person, "first visit")?;
        each(tx, &carer, of.visits)?;
        each(tx, &carer, of.prescriptions)?;
        each(tx, &carer, of.dispensings)?;
        each(tx, &carer, of.measures)?;
        each(tx, &carer, of.readings)?;
        each(tx, &carer, of.appointments)?;
    }
    Ok(())
}

fn size(of: &Whole) -> usize {
    let care = of.visits.len() + of.prescriptions.len() + of.dispensings.len();
    1 + care + of.measures.len() + of.readings.len() + of.appointments.len()
}

/// Fills an empty store with an invented clinic of so many visits, about ten a person; `progress` hears how many are kept so far.
///
/// # Panics
/// If something cannot be kept: figures over half a clinic would mean nothing.
pub fn fill(store: &Store, visits: usize, mut progress: impl FnMut(usize)) -> Filled {
    let accounts = staff(store);
    let of = |role: Role| accounts.iter().filter(|a| a.1 == role).map(|a| a.0.clone()).collect::<Vec<String>>();
    let (carers, dispensers) = (of(Role::Practitioner), of(Role::Dispenser));
    let mut inventor = Inventor::new(store.lore().materia(), SEED);
    let mut filled = Filled { accounts, people: 0, visits: 0, records: 0 };
    std::thread::scope(|scope| {
        // The next lot is thought up while the last one is written.
        let (give, take) = sync_channel(2);
        scope.spawn(move || {
            let mut left = visits;
            while left > 0 {
                if give.send(inventor.lot(&carers, &dispensers, &mut left)).is_err() {
                    return;
                }
            }
        });
        for lot in take {
            filled.people += lot.len();
            filled.visits += lot.iter().map(|(_, w)| w.visits.len()).sum::<usize>();
            filled.records += lot.iter().map(|(_, w)| size(w)).sum::<usize>();
            store.write(move |tx| keep(tx, lot)).unwrap_or_else(|e| panic!("the invented clinic cannot be kept: {e}"));
            progress(filled.visits);
        }
    });
    filled
}

#[cfg(test)]
mod tests {
    use fangwright_clinic::Lore;
    use fangwright_clinic::record::signature_fits;

    use super::*;

    #[test]
    fn the_same_seed_invents_the_same_people() {
        let inventor = Inventor::new(Lore::new(Materia::embedded()).materia(), 1);
        let (carers, dispensers) = (vec!["a".to_string()], vec!["b".to_string()]);
        let (mut left, mut again) = (300, 300);
        let lot = inventor.another(5).lot(&carers, &dispensers, &mut left);
        assert_eq!(lot, inventor.another(5).lot(&carers, &dispensers, &mut again));
        assert_eq!(300 - left, lot.iter().map(|(_, w)| w.visits.len()).sum::<usize>());
        for (_, whole) in &lot {
            assert!(whole.prescriptions.iter().all(|rx| signature_fits(&rx.record) && rx.record.fault().is_none()));
            for visit in &whole.visits {
                let (length, findings) = (visit.record.notes.chars().count(), visit.record.findings.len());
                assert!((60..=200).contains(&length) && (3..=8).contains(&findings), "{visit:?}");
                assert!(visit.record.on <= DAY && !visit.record.patterns.is_empty());
            }
        }
    }

    #[test]
    fn names_in_hanzi_are_read_aloud() {
        assert_eq!(spoken("陳麗華").as_deref(), Some("chen lihua"));
        assert_eq!(spoken("Alwen Mossgate"), None);
    }
}
