//! Stock: products, lots, and a book of entries from which everything else follows.
//!
//! Nothing is ever overwritten. The state is what the entries come to; [`Stock::apply`] refuses an entry that would take a lot below
//! zero, use it twice, or use what is recalled or expired. A [`Ledger`] keeps the entries in a [`Log`] whose only promise is that no
//! two entries get the same number: two dispensers who act at once cannot both have the last grams.

use std::collections::{BTreeMap, BTreeSet};

use fangwright_amount::Rational;
use jiff::civil::Date;
use jiff::{Timestamp, ToSpan};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::money::Money;

/// In what state a product is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Sort {
    /// Dried pieces for the pot, or to be ground.
    Raw,
    /// Concentrated granules.
    Granule,
    /// Powder, ready to take.
    Powder,
    /// Anything else: honey, alcohol, bottles.
    Other,
}

/// Something that is kept in stock.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Product {
    /// The clinic's own id.
    pub id: String,
    /// The substance it is, by id.
    #[serde(default)]
    pub substance: Option<String>,
    /// Or the whole formula it is made of, by id.
    #[serde(default)]
    pub formula: Option<String>,
    /// What stands on the jar.
    pub name: String,
    /// Pieces, granules, powder.
    pub sort: Sort,
    /// For granules: raw grams that one gram stands for. For a whole formula: of its usual daily dose together.
    #[serde(default)]
    pub ratio: Option<Rational>,
    /// It comes in sachets of so many grams and is not opened.
    #[serde(default)]
    pub sachet: Option<Rational>,
    /// Or it is measured with a spoon of so many grams.
    #[serde(default)]
    pub spoon: Option<Rational>,
    /// Who sells it.
    #[serde(default)]
    pub supplier: String,
    /// Selling price of a gram; without it the cost with the markup.
    #[serde(default)]
    pub price: Option<Money>,
    /// Days from order to delivery.
    #[serde(default)]
    pub lead_days: Option<u32>,
    /// At least so many grams are always to be there.
    #[serde(default)]
    pub least: Option<Rational>,
    /// Grams in one pack of the supplier.
    #[serde(default)]
    pub pack: Option<Rational>,
}

/// One delivery of a product.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Lot {
    /// Lot number, as the supplier prints it.
    pub lot: String,
    /// Product id.
    pub product: String,
    /// Grams received.
    pub grams: Rational,
    /// Last day of use.
    #[schemars(with = "String")]
    pub expiry: Date,
    /// Where it stands.
    #[serde(default)]
    pub location: String,
    /// What a gram cost.
    #[serde(default)]
    pub cost: Option<Money>,
}

/// What happened.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Movement {
    /// A product is entered or changed.
    Product(Box<Product>),
    /// A delivery.
    Receive(Lot),
    /// Grams are set aside for a dispensing.
    Reserve {
        /// Dispensing number.
        dispensing: String,
        /// Product and lot.
        picks: Vec<Pick>,
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
        /// For whom: the clinic's key of a person.
        patient: String,
    },
    /// A lot was counted and is corrected.
    Correct {
        /// Product and lot, and the grams that are really there.
        pick: Pick,
        /// Why it differs.
        reason: String,
    },
    /// Grams are thrown away.
    Discard {
        /// Product and lot, and how many.
        pick: Pick,
        /// Why.
        reason: String,
    },
    /// A lot must not be used any more.
    Recall {
        /// Product id.
        product: String,
        /// Lot number.
        lot: String,
        /// Why, and who says so.
        reason: String,
    },
}

/// Grams of one lot.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Pick {
    /// Product id.
    pub product: String,
    /// Lot number.
    pub lot: String,
    /// Grams.
    pub grams: Rational,
}

/// One line of the book.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Entry {
    /// Its number, from 1 without gap.
    pub number: u64,
    /// When.
    #[schemars(with = "String")]
    pub at: Timestamp,
    /// The day where the clinic is: expiry is judged by it.
    #[schemars(with = "String")]
    pub day: Date,
    /// Who.
    pub by: String,
    /// What.
    pub movement: Movement,
}

/// A lot as it stands.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct LotState {
    /// As it was received.
    pub lot: Lot,
    /// Grams that are there.
    pub there: Rational,
    /// Of these, set aside.
    pub reserved: Rational,
    /// Why it is recalled, if it is.
    pub recalled: Option<String>,
}

impl LotState {
    /// Grams that can still be set aside.
    pub fn free(&self) -> Rational {
        self.there.minus(self.reserved).unwrap_or(Rational::ZERO)
    }
}

/// A dispensing as stock sees it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct Dispensed {
    /// What was set aside or used.
    pub picks: Vec<Pick>,
    /// For whom, once it is used.
    pub patient: Option<String>,
    /// The day it was used.
    #[schemars(with = "Option<String>")]
    pub day: Option<Date>,
    /// Whether it went back.
    pub released: bool,
}

/// Why an entry is refused. Nothing is changed then.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum StockError {
    /// No such product.
    #[error("there is no product `{0}`; enter it first")]
    NoProduct(String),
    /// No such lot.
    #[error("there is no lot `{lot}` of `{product}`; receive it first")]
    NoLot {
        /// Product id.
        product: String,
        /// Lot number.
        lot: String,
    },
    /// The lot was received before.
    #[error("lot `{lot}` of `{product}` was received before; use another number, or correct its count")]
    Twice {
        /// Product id.
        product: String,
        /// Lot number.
        lot: String,
    },
    /// An amount of nothing or less.
    #[error("{0} g is not above zero")]
    NotPositive(Rational),
    /// A count below zero.
    #[error("a count of {0} g is below zero")]
    NegativeCount(Rational),
    /// The price is below zero.
    #[error("a price of {0} is below zero")]
    NegativePrice(Rational),
    /// Not enough.
    #[error("lot `{lot}` of `{product}` has {free} g free, and {wanted} g are wanted")]
    TooLittle {
        /// Product id.
        product: String,
        /// Lot number.
        lot: String,
        /// Grams free.
        free: Rational,
        /// Grams wanted.
        wanted: Rational,
    },
    /// Expired.
    #[error("lot `{lot}` of `{product}` expired on {expiry}; discard it")]
    Expired {
        /// Product id.
        product: String,
        /// Lot number.
        lot: String,
        /// Last day of use.
        expiry: Date,
    },
    /// Recalled.
    #[error("lot `{lot}` of `{product}` is recalled ({reason}); set it apart and do not use it")]
    Recalled {
        /// Product id.
        product: String,
        /// Lot number.
        lot: String,
        /// Why.
        reason: String,
    },
    /// The number has set something aside or used it before.
    #[error("dispensing `{0}` has taken from stock before; a dispensing takes once")]
    TakenBefore(String),
    /// Nothing is set aside under the number.
    #[error("nothing is set aside for dispensing `{0}`")]
    NothingReserved(String),
    /// Not enough of a product in all lots that may be used.
    #[error("{wanted} g of `{product}` are wanted and {free} g can be used{why}")]
    NotEnough {
        /// Product id.
        product: String,
        /// Grams that can be used.
        free: Rational,
        /// Grams wanted.
        wanted: Rational,
        /// What stands in lots that may not be used.
        why: String,
    },
    /// An entry out of order.
    #[error("entry {found} stands where {wanted} was to come; the book is damaged there")]
    Order {
        /// Number found.
        found: u64,
        /// Number that had to come.
        wanted: u64,
    },
    /// Numbers too large.
    #[error("the amounts are too large to be added exactly")]
    TooLarge,
}

/// What all entries come to.
#[derive(Debug, Clone, Default)]
pub struct Stock {
    products: BTreeMap<String, Product>,
    lots: BTreeMap<(String, String), LotState>,
    dispensed: BTreeMap<String, Dispensed>,
    used: Vec<(Date, String, Rational)>,
    entries: u64,
}

fn key(p: &Pick) -> (String, String) {
    (p.product.clone(), p.lot.clone())
}

impl Stock {
    /// How many entries it has taken.
    pub fn entries(&self) -> u64 {
        self.entries
    }

    /// All products.
    pub fn products(&self) -> impl Iterator<Item = &Product> {
        self.products.values()
    }

    /// A product by id.
    pub fn product(&self, id: &str) -> Option<&Product> {
        self.products.get(id)
    }

    /// All lots, by product and number.
    pub fn lots(&self) -> impl Iterator<Item = &LotState> {
        self.lots.values()
    }

    /// A dispensing.
    pub fn dispensing(&self, number: &str) -> Option<&Dispensed> {
        self.dispensed.get(number)
    }

    /// The lot that grams are picked from.
    pub fn lot_of(&self, p: &Pick) -> Option<&LotState> {
        self.lots.get(&key(p))
    }

    /// Grams of a product that can be set aside on a day: not recalled, not expired.
    pub fn usable_grams(&self, product: &str, day: Date) -> Rational {
        let good = |l: &&LotState| l.lot.product == product && l.recalled.is_none() && l.lot.expiry >= day;
        self.lots.values().filter(good).fold(Rational::ZERO, |sum, l| sum.plus(l.free()).unwrap_or(sum))
    }

    /// Forgets dispensings that left stock before a day, so that memory does not grow with the years. Whoever forgets looks after it
    /// elsewhere that an old dispensing number is not used again, and asks the kept dispensings who had a lot.
    pub fn forget_before(&mut self, day: Date) {
        self.dispensed.retain(|_, d| d.day.is_none_or(|used| used >= day));
        self.used.retain(|(used, _, _)| *used >= day);
    }

    fn lot(&self, p: &Pick) -> Result<&LotState, StockError> {
        self.lot_of(p).ok_or_else(|| StockError::NoLot { product: p.product.clone(), lot: p.lot.clone() })
    }

    fn usable(&self, p: &Pick, day: Date) -> Result<&LotState, StockError> {
        let state = self.lot(p)?;
        if let Some(reason) = &state.recalled {
            let reason = reason.clone();
            return Err(StockError::Recalled { product: p.product.clone(), lot: p.lot.clone(), reason });
        }
        if state.lot.expiry < day {
            let expiry = state.lot.expiry;
            return Err(StockError::Expired { product: p.product.clone(), lot: p.lot.clone(), expiry });
        }
        Ok(state)
    }

    fn positive(grams: Rational) -> Result<(), StockError> {
        if grams.is_positive() { Ok(()) } else { Err(StockError::NotPositive(grams)) }
    }

    /// Takes an entry in.
    ///
    /// # Errors
    /// See [`StockError`]; the stock is then as it was.
    pub fn apply(&mut self, entry: &Entry) -> Result<(), StockError> {
        let wanted = self.entries + 1;
        if entry.number != wanted {
            return Err(StockError::Order { found: entry.number, wanted });
        }
        self.take(&entry.movement, entry.day)?;
        self.entries = wanted;
        Ok(())
    }

    fn take(&mut self, movement: &Movement, day: Date) -> Result<(), StockError> {
        let large = || StockError::TooLarge;
        match movement {
            Movement::Product(p) => {
                for grams in [p.ratio, p.sachet, p.spoon, p.pack].into_iter().flatten() {
                    Self::positive(grams)?;
                }
                if let Some(price) = p.price.filter(|m| m.amount < Rational::ZERO) {
                    return Err(StockError::NegativePrice(price.amount));
                }
                self.products.insert(p.id.clone(), (**p).clone());
            }
            Movement::Receive(lot) => {
                Self::positive(lot.grams)?;
                if !self.products.contains_key(&lot.product) {
                    return Err(StockError::NoProduct(lot.product.clone()));
                }
                if let Some(cost) = lot.cost.filter(|m| m.amount < Rational::ZERO) {
                    return Err(StockError::NegativePrice(cost.amount));
                }
                let at = (lot.product.clone(), lot.lot.clone());
                if self.lots.contains_key(&at) {
                    return Err(StockError::Twice { product: at.0, lot: at.1 });
                }
                let state = LotState { lot: lot.clone(), there: lot.grams, reserved: Rational::ZERO, recalled: None };
                self.lots.insert(at, state);
            }
            Movement::Reserve { dispensing, picks } => {
                if self.dispensed.get(dispensing).is_some_and(|d| !d.released) {
                    return Err(StockError::TakenBefore(dispensing.clone()));
                }
                // One lot may be named twice: the sum has to be there.
                let mut sums: BTreeMap<(String, String), Rational> = BTreeMap::new();
                for p in picks {
                    Self::positive(p.grams)?;
                    let state = self.usable(p, day)?;
                    let sum = sums.entry(key(p)).or_insert(Rational::ZERO);
                    *sum = sum.plus(p.grams).ok_or_else(large)?;
                    if *sum > state.free() {
                        return Err(StockError::TooLittle {
                            product: p.product.clone(),
                            lot: p.lot.clone(),
                            free: state.free(),
                            wanted: *sum,
                        });
                    }
                }
                for (at, grams) in sums {
                    if let Some(state) = self.lots.get_mut(&at) {
                        state.reserved = state.reserved.plus(grams).ok_or_else(large)?;
                    }
                }
                let new = Dispensed { picks: picks.clone(), patient: None, day: None, released: false };
                self.dispensed.insert(dispensing.clone(), new);
            }
            Movement::Release { dispensing } => {
                let picks = self.reserved(dispensing)?.picks.clone();
                for p in &picks {
                    if let Some(state) = self.lots.get_mut(&key(p)) {
                        state.reserved = state.reserved.minus(p.grams).ok_or_else(large)?;
                    }
                }
                if let Some(d) = self.dispensed.get_mut(dispensing) {
                    d.released = true;
                }
            }
            Movement::Use { dispensing, patient } => {
                let picks = self.reserved(dispensing)?.picks.clone();
                // A lot may have been recalled or have expired since it was set aside.
                for p in &picks {
                    self.usable(p, day)?;
                }
                for p in &picks {
                    if let Some(state) = self.lots.get_mut(&key(p)) {
                        state.reserved = state.reserved.minus(p.grams).ok_or_else(large)?;
                        state.there = state.there.minus(p.grams).ok_or_else(large)?;
                    }
                    self.used.push((day, p.product.clone(), p.grams));
                }
                if let Some(d) = self.dispensed.get_mut(dispensing) {
                    d.patient = Some(patient.clone());
                    d.day = Some(day);
                }
            }
            Movement::Correct { pick, .. } => {
                if pick.grams < Rational::ZERO {
                    return Err(StockError::NegativeCount(pick.grams));
                }
                let state = self.lot(pick)?;
                if pick.grams < state.reserved {
                    return Err(StockError::TooLittle {
                        product: pick.product.clone(),
                        lot: pick.lot.clone(),
                        free: pick.grams,
                        wanted: state.reserved,
                    });
                }
                if let Some(state) = self.lots.get_mut(&key(pick)) {
                    state.there = pick.grams;
                }
            }
            Movement::Discard { pick, .. } => {
                Self::positive(pick.grams)?;
                let state = self.lot(pick)?;
                if pick.grams > state.free() {
                    return Err(StockError::TooLittle {
                        product: pick.product.clone(),
                        lot: pick.lot.clone(),
                        free: state.free(),
                        wanted: pick.grams,
                    });
                }
                if let Some(state) = self.lots.get_mut(&key(pick)) {
                    state.there = state.there.minus(pick.grams).ok_or_else(large)?;
                }
            }
            Movement::Recall { product, lot, reason } => {
                let pick = Pick { product: product.clone(), lot: lot.clone(), grams: Rational::ZERO };
                self.lot(&pick)?;
                if let Some(state) = self.lots.get_mut(&key(&pick)) {
                    state.recalled = Some(reason.clone());
                }
            }
        }
        Ok(())
    }

    fn reserved(&self, dispensing: &str) -> Result<&Dispensed, StockError> {
        self.dispensed
            .get(dispensing)
            .filter(|d| d.patient.is_none() && !d.released)
            .ok_or_else(|| StockError::NothingReserved(dispensing.into()))
    }

    /// Lots for so many grams of a product on a day, the first to expire first. A lot that is expired on that day or recalled
    /// is left out.
    ///
    /// # Errors
    /// No such product, or not enough; nothing is set aside by this.
    pub fn pick(&self, product: &str, grams: Rational, day: Date) -> Result<Vec<Pick>, StockError> {
        if !self.products.contains_key(product) {
            return Err(StockError::NoProduct(product.into()));
        }
        Self::positive(grams)?;
        let mut lots: Vec<&LotState> = self.lots.values().filter(|l| l.lot.product == product).collect();
        lots.sort_by(|a, b| (a.lot.expiry, &a.lot.lot).cmp(&(b.lot.expiry, &b.lot.lot)));
        let mut wanted = grams;
        let mut picks = Vec::new();
        let mut barred = Vec::new();
        for l in lots {
            let free = l.free();
            if !free.is_positive() {
                continue;
            }
            if l.recalled.is_some() {
                barred.push(format!("{} g of lot {} are recalled", free.decimal(3), l.lot.lot));
                continue;
            }
            if l.lot.expiry < day {
                barred.push(format!("{} g of lot {} expired on {}", free.decimal(3), l.lot.lot, l.lot.expiry));
                continue;
            }
            let here = free.min(wanted);
            picks.push(Pick { product: product.into(), lot: l.lot.lot.clone(), grams: here });
            wanted = wanted.minus(here).ok_or(StockError::TooLarge)?;
            if wanted.is_zero() {
                return Ok(picks);
            }
        }
        let free = grams.minus(wanted).ok_or(StockError::TooLarge)?;
        let why = if barred.is_empty() { String::new() } else { format!(" ({})", barred.join("; ")) };
        Err(StockError::NotEnough { product: product.into(), free, wanted: grams, why })
    }

    /// Which dispensings hold a lot, with the person and the grams: the question of a recall.
    pub fn who_had(&self, product: &str, lot: &str) -> Vec<(&str, &Dispensed, Rational)> {
        let here = |d: &Dispensed| {
            let of = d.picks.iter().filter(|p| p.product == product && p.lot == lot);
            of.fold(Rational::ZERO, |sum, p| sum.plus(p.grams).unwrap_or(sum))
        };
        let all = self.dispensed.iter().filter(|(_, d)| !d.released);
        all.map(|(n, d)| (n.as_str(), d, here(d))).filter(|(_, _, grams)| grams.is_positive()).collect()
    }

    /// What has to be ordered: use of the last `look_back` days, carried over the lead time and `cover` days more, less what is
    /// free and will not have expired by then.
    pub fn reorder(&self, day: Date, look_back: u32, cover: u32) -> Vec<Reorder> {
        let since = day.saturating_sub(i64::from(look_back).days());
        let mut list = Vec::new();
        for p in self.products.values() {
            let used = self
                .used
                .iter()
                .filter(|(d, id, _)| *id == p.id && *d > since && *d <= day)
                .fold(Rational::ZERO, |sum, (_, _, g)| sum.plus(*g).unwrap_or(sum));
            let span = i64::from(p.lead_days.unwrap_or(7) + cover);
            let until = day.saturating_add(span.days());
            let usable = self
                .lots
                .values()
                .filter(|l| l.lot.product == p.id && l.recalled.is_none() && l.lot.expiry >= day)
                .fold((Rational::ZERO, Rational::ZERO), |(all, kept), l| {
                    let free = l.free();
                    let kept_here = if l.lot.expiry >= until { free } else { Rational::ZERO };
                    (all.plus(free).unwrap_or(all), kept.plus(kept_here).unwrap_or(kept))
                });
            let a_day = used.over(Rational::from(look_back.max(1) as i32)).unwrap_or(Rational::ZERO);
            let needed = a_day.times(Rational::from(span as i32)).unwrap_or(Rational::ZERO);
            let target = needed.max(p.least.unwrap_or(Rational::ZERO));
            if usable.1 >= target {
                continue;
            }
            let missing = target.minus(usable.1).unwrap_or(target);
            let packs = p.pack.and_then(|pack| missing.over(pack)).map(|n| {
                let whole = Rational::from(n.floor());
                if whole == n { whole } else { whole.plus(Rational::ONE).unwrap_or(whole) }
            });
            let order = match (packs, p.pack) {
                (Some(n), Some(pack)) => n.times(pack).unwrap_or(missing),
                _ => missing,
            };
            list.push(Reorder {
                product: p.id.clone(),
                supplier: p.supplier.clone(),
                a_day,
                free: usable.0,
                expiring: usable.0.minus(usable.1).unwrap_or(Rational::ZERO),
                target,
                order,
                packs,
            });
        }
        list
    }

    /// Lots whose last day of use is on or before a day, with something still there.
    pub fn expiring(&self, by: Date) -> Vec<&LotState> {
        let mut list: Vec<&LotState> =
            self.lots.values().filter(|l| l.lot.expiry <= by && l.there.is_positive()).collect();
        list.sort_by_key(|l| l.lot.expiry);
        list
    }

    /// Corrections that a stocktaking asks for: counted lots whose count differs, and lots that should be there and were not counted.
    pub fn stocktaking(&self, counted: &[Pick]) -> (Vec<(Pick, Rational)>, Vec<&LotState>) {
        let seen: BTreeSet<_> = counted.iter().map(key).collect();
        let differ = counted
            .iter()
            .filter_map(|c| {
                let state = self.lot_of(c)?;
                (state.there != c.grams).then(|| (c.clone(), state.there))
            })
            .collect();
        let missed = self.lots.iter().filter(|(k, l)| l.there.is_positive() && !seen.contains(*k)).map(|(_, l)| l);
        (differ, missed.collect())
    }

    /// Products that hold a substance, in a sort.
    pub fn of_substance<'a>(&'a self, substance: &'a str, sort: Sort) -> impl Iterator<Item = &'a Product> {
        self.products.values().filter(move |p| p.substance.as_deref() == Some(substance) && p.sort == sort)
    }

    /// What a gram cost: of the lots that are picked, weighed by what is taken of each. `None` if one has no cost.
    pub fn cost_of(&self, picks: &[Pick]) -> Option<Result<Money, crate::MoneyError>> {
        let mut sum: Option<Money> = None;
        for p in picks {
            let cost = match self.lot_of(p)?.lot.cost?.times(p.grams) {
                Ok(cost) => cost,
                Err(e) => return Some(Err(e)),
            };
            sum = Some(match sum {
                None => cost,
                Some(before) => match before.plus(cost) {
                    Ok(cost) => cost,
                    Err(e) => return Some(Err(e)),
                },
            });
        }
        sum.map(Ok)
    }
}

/// One line of the order list.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct Reorder {
    /// Product id.
    pub product: String,
    /// Who sells it.
    pub supplier: String,
    /// Grams used a day.
    pub a_day: Rational,
    /// Grams free now.
    pub free: Rational,
    /// Of these, grams that will have expired before the next delivery is used up.
    pub expiring: Rational,
    /// Grams that have to be there.
    pub target: Rational,
    /// Grams to order, in whole packs where the pack is known.
    pub order: Rational,
    /// The same in packs.
    pub packs: Option<Rational>,
}

/// Why the book could not be read or written.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum LogError {
    /// Somebody else wrote an entry with this number first.
    #[error("entry {0} was written by somebody else first")]
    Taken(u64),
    /// The store failed.
    #[error("{0}")]
    Store(String),
}

/// Where entries are kept. Its one promise: no two entries get the same number.
pub trait Log {
    /// Entries from a number on, in order.
    ///
    /// # Errors
    /// If the store cannot be read.
    fn read(&mut self, from: u64) -> Result<Vec<Entry>, LogError>;

    /// Keeps an entry, durably, before it returns.
    ///
    /// # Errors
    /// [`LogError::Taken`] if there is an entry with this number.
    fn append(&mut self, entry: &Entry) -> Result<(), LogError>;
}

/// Why a movement was not done.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum LedgerError {
    /// Stock refuses it.
    #[error(transparent)]
    Stock(Box<StockError>),
    /// The book failed.
    #[error(transparent)]
    Log(#[from] LogError),
    /// Others were always faster.
    #[error("others wrote to the book all the time; try again")]
    Busy,
}

impl From<StockError> for LedgerError {
    fn from(e: StockError) -> LedgerError {
        LedgerError::Stock(Box::new(e))
    }
}

/// Stock over a log.
pub struct Ledger<L> {
    stock: Stock,
    log: L,
}

/// How often a movement is tried anew when somebody else was faster.
const TRIES: u32 = 1000;

impl<L: Log> Ledger<L> {
    /// Reads the whole book.
    ///
    /// # Errors
    /// If it cannot be read, or an entry in it cannot be.
    pub fn open(log: L) -> Result<Ledger<L>, LedgerError> {
        let mut ledger = Ledger { stock: Stock::default(), log };
        ledger.refresh()?;
        Ok(ledger)
    }

    /// Takes in what others wrote.
    ///
    /// # Errors
    /// As for [`Ledger::open`].
    pub fn refresh(&mut self) -> Result<(), LedgerError> {
        for entry in self.log.read(self.stock.entries + 1)? {
            self.stock.apply(&entry)?;
        }
        Ok(())
    }

    /// The stock as it stands.
    pub fn stock(&self) -> &Stock {
        &self.stock
    }

    /// Does what `decide` makes of the stock. If somebody else writes in between, it is asked again with what is there then: the
    /// movement is decided on the very stock it is written to.
    ///
    /// # Errors
    /// What `decide` says, what stock refuses, or what the book says.
    pub fn act<E: From<LedgerError>>(
        &mut self,
        at: Timestamp,
        day: Date,
        by: &str,
        mut decide: impl FnMut(&Stock) -> Result<Movement, E>,
    ) -> Result<Entry, E> {
        for _ in 0..TRIES {
            self.refresh()?;
            let movement = decide(&self.stock)?;
            let entry = Entry { number: self.stock.entries + 1, at, day, by: by.into(), movement };
            // Tried on a copy of what it touches only if it is refused: `take` checks before it changes.
            self.stock.apply(&entry).map_err(LedgerError::from)?;
            match self.log.append(&entry) {
                Ok(()) => return Ok(entry),
                Err(error) => {
                    // It was not written: the stock in memory goes back to what the book says.
                    self.stock = Stock::default();
                    self.refresh()?;
                    if !matches!(error, LogError::Taken(_)) {
                        return Err(LedgerError::Log(error).into());
                    }
                }
            }
        }
        Err(LedgerError::Busy.into())
    }
}
