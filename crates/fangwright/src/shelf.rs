//! `stock`: the book of products and lots.

use std::path::PathBuf;

use clap::{Args, Subcommand};
use fangwright_amount::Rational;
use fangwright_dispense::{Entry, Ledger, LedgerError, Lot, Movement, Pick, Product, Stock};
use jiff::Timestamp;
use serde::Deserialize;

use crate::book::FileLog;
use crate::check::text_of;
use crate::dispense::day_of;
use crate::output::{Had, StockAnswer};
use crate::render::{heading, pad};
use crate::run::{Failure, Session, out};

#[derive(Args)]
pub struct StockArgs {
    /// The book (a file; made where there is none).
    #[arg(long, value_name = "FILE")]
    book: PathBuf,
    /// Who acts.
    #[arg(long, value_name = "NAME", default_value = "")]
    by: String,
    /// The day (default: today), as 2026-11-25.
    #[arg(long, value_name = "DATE")]
    on: Option<String>,
    #[command(subcommand)]
    act: Act,
}

#[derive(Subcommand)]
enum Act {
    /// Products and deliveries from a TOML file ([[product]], [[lot]]).
    Enter {
        /// The file.
        file: PathBuf,
    },
    /// What is there.
    List {
        /// Only this product.
        product: Option<String>,
    },
    /// Put the count of a lot right.
    Correct {
        /// Product id.
        product: String,
        /// Lot number.
        lot: String,
        /// Grams that are really there.
        grams: String,
        /// Why it differs.
        #[arg(long)]
        reason: String,
    },
    /// Throw away.
    Discard {
        /// Product id.
        product: String,
        /// Lot number.
        lot: String,
        /// Grams.
        grams: String,
        /// Why.
        #[arg(long)]
        reason: String,
    },
    /// Compare a count (TOML, [[count]] with product, lot, grams) with the book; --settle corrects the book to it.
    Count {
        /// The file.
        file: PathBuf,
        /// Write the corrections.
        #[arg(long)]
        settle: bool,
    },
    /// Bar a lot, and list who had it.
    Recall {
        /// Product id.
        product: String,
        /// Lot number.
        lot: String,
        /// Why, and who says so.
        #[arg(long)]
        reason: String,
    },
    /// Who had a lot.
    Who {
        /// Product id.
        product: String,
        /// Lot number.
        lot: String,
    },
    /// Which lots are in a bag.
    Bag {
        /// Dispensing number.
        dispensing: String,
    },
    /// What was set aside goes back.
    Release {
        /// Dispensing number.
        dispensing: String,
    },
    /// What was set aside goes into the bag.
    Use {
        /// Dispensing number.
        dispensing: String,
        /// For whom.
        patient: String,
    },
    /// What has to be ordered.
    Reorder {
        /// Days that use is reckoned over.
        #[arg(long, default_value_t = 60)]
        look_back: u32,
        /// Days to cover beyond the lead time.
        #[arg(long, default_value_t = 30)]
        cover: u32,
    },
    /// Lots that expire within so many days.
    Expiring {
        /// Days.
        #[arg(default_value_t = 60)]
        days: u32,
    },
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Delivery {
    #[serde(default)]
    product: Vec<Product>,
    #[serde(default)]
    lot: Vec<Lot>,
    #[serde(default)]
    count: Vec<Pick>,
}

fn delivery(path: &std::path::Path) -> Result<Delivery, Failure> {
    toml::from_str(&text_of(path)?).map_err(|e| format!("{}: {e}", path.display()).into())
}

fn grams_of(text: &str) -> Result<Rational, Failure> {
    text.parse::<Rational>().map_err(|e| e.to_string().into())
}

fn had(stock: &Stock, product: &str, lot: &str) -> Result<Vec<Had>, Failure> {
    if !stock.lots().any(|l| l.lot.product == product && l.lot.lot == lot) {
        return Err(format!("there is no lot `{lot}` of `{product}`").into());
    }
    let all = stock.who_had(product, lot);
    let one = |(n, d, grams): (&str, &fangwright_dispense::Dispensed, Rational)| Had {
        dispensing: n.into(),
        patient: d.patient.clone(),
        day: d.day,
        grams,
    };
    Ok(all.into_iter().map(one).collect())
}

pub fn run(s: &Session, args: &StockArgs) -> Result<bool, Failure> {
    let m = s.m();
    let day = day_of(args.on.as_deref())?;
    let mut ledger = Ledger::open(FileLog::open(&args.book).map_err(LedgerError::from)?)?;
    let mut answer = StockAnswer {
        made: Vec::new(),
        lots: Vec::new(),
        reorder: Vec::new(),
        had: Vec::new(),
        bag: Vec::new(),
        differ: Vec::new(),
        missed: Vec::new(),
    };
    let mut text = String::new();
    let act = |ledger: &mut Ledger<FileLog>, movement: Movement| -> Result<Entry, Failure> {
        ledger.act(Timestamp::now(), day, &args.by, |_| -> Result<Movement, Failure> { Ok(movement.clone()) })
    };
    let mut good = true;
    match &args.act {
        Act::Enter { file } => {
            let delivery = delivery(file)?;
            for p in &delivery.product {
                let known = |id: &Option<String>, held: &dyn Fn(&str) -> bool| id.as_deref().is_none_or(held);
                if !known(&p.substance, &|id| m.substance_by_id(id).is_some()) {
                    let id = p.substance.as_deref().unwrap_or_default();
                    return Err(format!("product `{}`: there is no substance `{id}`; `name` finds its id", p.id).into());
                }
                if !known(&p.formula, &|id| m.formula_by_id(id).is_some()) {
                    let id = p.formula.as_deref().unwrap_or_default();
                    return Err(format!("product `{}`: there is no formula `{id}`; `name` finds its id", p.id).into());
                }
            }
            for p in delivery.product {
                answer.made.push(act(&mut ledger, Movement::Product(Box::new(p)))?);
            }
            for l in delivery.lot {
                answer.made.push(act(&mut ledger, Movement::Receive(l))?);
            }
        }
        Act::List { product } => {
            let wanted = |id: &str| product.as_deref().is_none_or(|p| p == id);
            text.push_str(&heading("In stock"));
            for p in ledger.stock().products().filter(|p| wanted(&p.id)) {
                let lots: Vec<_> = ledger.stock().lots().filter(|l| l.lot.product == p.id).cloned().collect();
                text.push_str(&format!("{} {}\n", pad(&p.id, 18), p.name));
                for l in &lots {
                    let state = match &l.recalled {
                        Some(why) => format!("  RECALLED: {why}"),
                        None if l.lot.expiry < day => "  EXPIRED".into(),
                        None => String::new(),
                    };
                    text.push_str(&format!(
                        "    lot {} use by {}  {} g there, {} g set aside  {}{state}\n",
                        l.lot.lot,
                        l.lot.expiry,
                        l.there.decimal(3),
                        l.reserved.decimal(3),
                        l.lot.location
                    ));
                }
                answer.lots.extend(lots);
            }
        }
        Act::Correct { product, lot, grams, reason } => {
            let pick = Pick { product: product.clone(), lot: lot.clone(), grams: grams_of(grams)? };
            answer.made.push(act(&mut ledger, Movement::Correct { pick, reason: reason.clone() })?);
        }
        Act::Discard { product, lot, grams, reason } => {
            let pick = Pick { product: product.clone(), lot: lot.clone(), grams: grams_of(grams)? };
            answer.made.push(act(&mut ledger, Movement::Discard { pick, reason: reason.clone() })?);
        }
        Act::Count { file, settle } => {
            let counted = delivery(file)?.count;
            if let Some(c) = counted
                .iter()
                .find(|c| !ledger.stock().lots().any(|l| l.lot.product == c.product && l.lot.lot == c.lot))
            {
                return Err(format!("there is no lot `{}` of `{}`; receive it first", c.lot, c.product).into());
            }
            let (differ, missed) = ledger.stock().stocktaking(&counted);
            answer.missed = missed.into_iter().cloned().collect();
            for (pick, book) in &differ {
                text.push_str(&format!(
                    "{} lot {}: counted {} g, in the book {} g\n",
                    pick.product,
                    pick.lot,
                    pick.grams.decimal(3),
                    book.decimal(3)
                ));
            }
            for l in &answer.missed {
                text.push_str(&format!(
                    "{} lot {}: not counted, {} g in the book\n",
                    l.lot.product,
                    l.lot.lot,
                    l.there.decimal(3)
                ));
            }
            good = differ.is_empty() && answer.missed.is_empty();
            if *settle {
                for (pick, _) in &differ {
                    let movement = Movement::Correct { pick: pick.clone(), reason: "stocktaking".into() };
                    answer.made.push(act(&mut ledger, movement)?);
                }
            }
            answer.differ = differ;
        }
        Act::Recall { product, lot, reason } => {
            let movement = Movement::Recall { product: product.clone(), lot: lot.clone(), reason: reason.clone() };
            answer.made.push(act(&mut ledger, movement)?);
            answer.had = had(ledger.stock(), product, lot)?;
        }
        Act::Who { product, lot } => answer.had = had(ledger.stock(), product, lot)?,
        Act::Bag { dispensing } => {
            let d = ledger
                .stock()
                .dispensing(dispensing)
                .ok_or_else(|| format!("there is no dispensing `{dispensing}`"))?;
            answer.bag.clone_from(&d.picks);
            for p in &d.picks {
                text.push_str(&format!("{} lot {}: {} g\n", p.product, p.lot, p.grams.decimal(3)));
            }
        }
        Act::Release { dispensing } => {
            answer.made.push(act(&mut ledger, Movement::Release { dispensing: dispensing.clone() })?);
        }
        Act::Use { dispensing, patient } => {
            let movement = Movement::Use { dispensing: dispensing.clone(), patient: patient.clone() };
            answer.made.push(act(&mut ledger, movement)?);
        }
        Act::Reorder { look_back, cover } => {
            answer.reorder = ledger.stock().reorder(day, *look_back, *cover);
            text.push_str(&heading("To order"));
            for r in &answer.reorder {
                let packs = r.packs.map_or(String::new(), |n| format!(" ({n} packs)"));
                text.push_str(&format!(
                    "{} {} g{packs} from {}; {} g a day used, {} g free, {} g of them expire too soon\n",
                    pad(&r.product, 18),
                    r.order.decimal(1),
                    if r.supplier.is_empty() { "—" } else { &r.supplier },
                    r.a_day.decimal(2),
                    r.free.decimal(1),
                    r.expiring.decimal(1)
                ));
            }
        }
        Act::Expiring { days } => {
            let by = day.saturating_add(jiff::Span::new().days(i64::from((*days).min(36_500))));
            answer.lots = ledger.stock().expiring(by).into_iter().cloned().collect();
            for l in &answer.lots {
                text.push_str(&format!(
                    "{} lot {}: {} g, use by {}\n",
                    l.lot.product,
                    l.lot.lot,
                    l.there.decimal(3),
                    l.lot.expiry
                ));
            }
        }
    }
    for h in &answer.had {
        let who = match (&h.patient, h.day) {
            (Some(p), Some(day)) => format!("{p} on {day}"),
            _ => "set aside, not yet given".into(),
        };
        text.push_str(&format!("{}: {who}, {} g\n", h.dispensing, h.grams.decimal(3)));
    }
    if s.json {
        s.print("stock", answer);
    } else {
        for e in &answer.made {
            text.push_str(&format!("Entry {} is in the book.\n", e.number));
        }
        out(&text);
    }
    Ok(good)
}
