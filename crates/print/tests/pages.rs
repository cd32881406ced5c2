//! Pages: what cannot be printed is said, nothing is cut off.
#![allow(clippy::unwrap_used, reason = "a test that cannot go on fails")]

use fangwright_amount::Rational;
use fangwright_dispense::{Order, Prescribed, plan};
use fangwright_materia::Materia;
use fangwright_print::{Clinic, LabelSize, Language, Person, Press, PrintError, PrintedFinding, Ticket, pages_data};
use jiff::civil::date;

fn data(name: &str, label: &str, language: Language, large: bool) -> serde_json::Value {
    let m = Materia::embedded();
    let list = [("gui-zhi", 9), ("bai-shao", 9), ("sheng-jiang", 9), ("da-zao", 12), ("zhi-gan-cao", 6)];
    let items: Vec<Prescribed> = list
        .iter()
        .map(|(id, g)| Prescribed {
            substance: m.substance_by_id(id).unwrap(),
            grams: Rational::from(*g),
            pots: Vec::new(),
        })
        .collect();
    let order = Order::new("raw-decoction", 5, date(2026, 11, 25));
    let made = plan(&m, &items, &order, None).unwrap();
    let clinic = Clinic { name: "Herb House at the Weir".into(), address: "3 Mill Lane".into(), phone: "0123".into() };
    let person = Person { name: name.into(), born: "1992-03-04".into() };
    let findings =
        [PrintedFinding { severity: "grave".into(), text: "Watch the potassium".into(), reason: String::new() }];
    let ticket = Ticket {
        number: "D-1",
        date: order.day,
        clinic: &clinic,
        patient: &person,
        prescriber: "M. Ferrant",
        dispenser: "J. Oake",
        plan: &made,
        bill: None,
        stock: None,
        findings: &findings,
        language,
        large,
        label: LabelSize::from_word(label).unwrap(),
    };
    pages_data(&m, &ticket)
}

#[test]
fn every_page_in_every_language_and_size() {
    let press = Press::default();
    for language in [Language::En, Language::Zh, Language::ZhHant] {
        for large in [false, true] {
            let d = data("林雁 Ada", "bag", language, large);
            for page in ["prescription.typ", "worksheet.typ", "sheet.typ"] {
                assert!(press.print(page, &d).unwrap().starts_with(b"%PDF"), "{page} {language:?}");
            }
        }
        for (label, _) in LabelSize::USUAL {
            let d = data("林雁 Ada", label, language, false);
            let pages = press.set("label.typ", &d).unwrap();
            assert_eq!(pages.count(), 1, "{label} {language:?}");
        }
    }
}

#[test]
fn a_label_too_small_is_refused() {
    let press = Press::default();
    let e = press.print("label.typ", &data("Ada", "30x15", Language::En, false)).unwrap_err();
    let PrintError::TooSmall { needs, has } = &e else { panic!("{e}") };
    assert!(needs.parse::<f64>().unwrap() > has.parse::<f64>().unwrap());
    assert!(e.to_string().contains("larger label"));
    let long = "A name so long that it would run over the edge of any label ".repeat(20);
    assert!(matches!(
        press.print("label.typ", &data(&long, "small", Language::En, false)),
        Err(PrintError::TooSmall { .. })
    ));
    assert!(LabelSize::from_word("5x900").is_none() && LabelSize::from_word("wide").is_none());
}

#[test]
fn a_character_without_a_glyph_is_named() {
    let press = Press::default();
    // Egyptian hieroglyphs are in no font here; a rare surname of the basic block is.
    let e = press.print("label.typ", &data("𓀀", "bag", Language::En, false)).unwrap_err();
    assert!(matches!(&e, PrintError::Glyphs { characters } if characters == "𓀀"), "{e}");
    press.print("label.typ", &data("龘", "bag", Language::En, false)).unwrap();
}

#[test]
fn a_clinic_changes_a_template_and_a_mistake_points_at_its_place() {
    let own = [(
        "label.typ".to_string(),
        "#import \"kit.typ\": *\n#set page(width: 50mm, height: 20mm)\n#d.patient.name".to_string(),
    )];
    let press = Press::new(&own, Vec::new());
    press.print("label.typ", &data("Ada", "bag", Language::En, false)).unwrap();
    let bad = [("label.typ".to_string(), "#import \"kit.typ\": *\n#d.nobody.name".to_string())];
    let e = Press::new(&bad, Vec::new()).print("label.typ", &data("Ada", "bag", Language::En, false)).unwrap_err();
    assert!(matches!(&e, PrintError::Template { file, line: 2, .. } if file == "label.typ"), "{e}");
    assert!(matches!(
        press.print("poster.typ", &data("Ada", "bag", Language::En, false)),
        Err(PrintError::NoTemplate { .. })
    ));
    // Names with signs that mean something in a template are text here.
    press.print("label.typ", &data("#panic(\"x\") $ * _", "bag", Language::En, false)).unwrap();
}
