//! Times of a plan and of a label, as JSON: what `benches/pages_vs_reportlab.py` holds against another library. It is here and not
//! among the benches so that it is built in the same go as the tests.

use std::time::Instant;

use fangwright_amount::Rational;
use fangwright_dispense::{Order, Prescribed, plan};
use fangwright_materia::Materia;
use fangwright_print::{Clinic, LabelSize, Language, Person, Press, Ticket, pages_data};

fn main() {
    let m = Materia::embedded();
    let list = [
        ("chai-hu", 12),
        ("huang-qin", 9),
        ("fa-ban-xia", 9),
        ("dang-shen", 9),
        ("sheng-jiang", 9),
        ("da-zao", 12),
        ("zhi-gan-cao", 6),
        ("gui-zhi", 9),
        ("bai-shao", 9),
        ("fu-ling", 15),
        ("bo-he", 6),
        ("long-gu", 20),
    ];
    let items: Vec<Prescribed> = list
        .iter()
        .filter_map(|(id, g)| {
            Some(Prescribed { substance: m.substance_by_id(id)?, grams: Rational::from(*g), pots: Vec::new() })
        })
        .collect();
    let mut order = Order::new("raw-decoction", 7, jiff::civil::date(2026, 11, 25));
    order.vessel = Some("ceramic".into());
    let middle = |mut times: Vec<f64>| -> f64 {
        times.sort_by(f64::total_cmp);
        times[times.len() / 2]
    };
    let timed = |n: usize, mut work: Box<dyn FnMut() + '_>| -> f64 {
        work();
        let one = |work: &mut Box<dyn FnMut() + '_>| {
            let start = Instant::now();
            work();
            start.elapsed().as_secs_f64()
        };
        middle((0..n).map(|_| one(&mut work)).collect())
    };
    let plan_s = timed(
        500,
        Box::new(|| {
            std::hint::black_box(plan(&m, &items, &order, None).expect("it can be planned"));
        }),
    );
    let made = plan(&m, &items, &order, None).expect("it can be planned");
    let press = Press::default();
    let clinic = Clinic { name: "Herb House at the Weir".into(), address: String::new(), phone: "0123".into() };
    let mut number = 0;
    // Each label has another name and number, so that nothing is taken from memory whole.
    let label_s = timed(
        100,
        Box::new(|| {
            number += 1;
            let name = format!("林雁 Ada {number}");
            let code = format!("D-{number:06}");
            let person = Person { name, born: "1985-03-04".into() };
            let ticket = Ticket {
                number: &code,
                date: order.day,
                clinic: &clinic,
                patient: &person,
                prescriber: "M. Ferrant",
                dispenser: "J. Oake",
                plan: &made,
                bill: None,
                stock: None,
                findings: &[],
                language: Language::En,
                large: false,
                label: LabelSize::USUAL[2].1,
            };
            std::hint::black_box(press.print("label.typ", &pages_data(&m, &ticket)).expect("it fits"));
        }),
    );
    println!("{{\"plan_us\": {:.1}, \"label_ms\": {:.2}}}", plan_s * 1e6, label_s * 1e3);
}
