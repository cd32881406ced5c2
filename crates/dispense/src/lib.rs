//! From a checked prescription to something a person can weigh, pack, cook, pay for and take.
//!
//! [`plan`] makes of raw grams a day what is weighed for a preparation, rounded so that the total is kept ([`round_list`]), with the
//! lots of a [`Stock`], the [`CookingPlan`] of the pot, and remarks on everything that should be looked at. [`bill`] prices it.
//! Amounts and money are exact until shown. Nothing here reads a file.
#![warn(missing_docs)]

pub mod arithmetic;
mod money;
mod plan;
mod pot;
mod price;
mod rounding;
mod stock;

pub use money::{Coin, Money, MoneyError};
pub use plan::{
    Finished, Measure, Order, Plan, PlanError, PlanLine, Prescribed, RatioFrom, Remark, Weight, in_its_place, plan,
    prescribed,
};
pub use pot::{
    CookingPlan, Drinker, PotAct, PotItem, PotOrder, PotStep, PotWarning, Soaked, absorbs, cooking, handling,
    usual_ratio, usual_strength,
};
pub use price::{Bill, PriceLine, Pricing, bill};
pub use rounding::{RoundError, Rounded, Share, round_list};
pub use stock::{
    Dispensed, Entry, Ledger, LedgerError, Log, LogError, Lot, LotState, Movement, Pick, Product, Reorder, Sort, Stock,
    StockError,
};
