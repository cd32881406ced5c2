//! Price: cost, markup, fee, discount, tax, each shown, rounded once at the end of each line.

use fangwright_amount::Rational;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::money::{Coin, Money, MoneyError};
use crate::plan::Plan;
use crate::stock::Stock;

/// How a clinic prices.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Pricing {
    /// Currency (ISO 4217).
    pub currency: String,
    /// What is put on the cost where a product has no price of its own: 0.5 for half as much again.
    #[serde(default)]
    pub markup: Option<Rational>,
    /// Once for each dispensing.
    #[serde(default)]
    pub dispensing_fee: Option<Money>,
    /// For each pack that is filled.
    #[serde(default)]
    pub pack_fee: Option<Money>,
    /// Share taken off the goods, before tax.
    #[serde(default)]
    pub discount: Option<Rational>,
    /// Share of tax put on what is left.
    #[serde(default)]
    pub tax: Option<Rational>,
}

/// The price of one line.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct PriceLine {
    /// Place in the plan.
    pub line: usize,
    /// What it cost the clinic, if that is known.
    pub cost: Option<Money>,
    /// Price of a gram, exact.
    pub a_gram: Option<Money>,
    /// Price of the course's grams, rounded to the smallest coin.
    pub price: Option<Money>,
}

/// The whole bill.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct Bill {
    /// Line by line.
    pub lines: Vec<PriceLine>,
    /// Sum of what is known to have cost something.
    pub cost: Money,
    /// Sum of the lines.
    pub goods: Money,
    /// Taken off.
    pub discount: Money,
    /// Fees.
    pub fees: Money,
    /// Tax.
    pub tax: Money,
    /// To pay.
    pub total: Money,
    /// Of it, for one day.
    pub a_day: Money,
    /// For one pack.
    pub a_pack: Money,
    /// Lines without a price: the total is too low by them.
    pub unpriced: Vec<usize>,
}

fn rate(share: Option<Rational>) -> Result<Rational, MoneyError> {
    let share = share.unwrap_or(Rational::ZERO);
    if share < Rational::ZERO { Err(MoneyError::Negative(share)) } else { Ok(share) }
}

/// The bill of a plan.
///
/// # Errors
/// An unknown currency, two currencies, a share below zero, or numbers too large.
pub fn bill(plan: &Plan, stock: &Stock, pricing: &Pricing) -> Result<Bill, MoneyError> {
    let coin: Coin = pricing.currency.parse()?;
    let zero = Money::zero(coin);
    let markup = Rational::ONE.plus(rate(pricing.markup)?).ok_or(MoneyError::TooLarge)?;
    let (mut cost, mut goods) = (zero, zero);
    let mut lines = Vec::new();
    let mut unpriced = Vec::new();
    for (n, line) in plan.lines.iter().enumerate() {
        let line_cost = stock.cost_of(&line.picks).transpose()?;
        let own = line.product.as_ref().and_then(|id| stock.product(id)?.price);
        let a_gram = match (own, line_cost) {
            (Some(price), _) => Some(price),
            (None, Some(c)) => {
                let gram = c.amount.over(line.course).ok_or(MoneyError::TooLarge)?;
                Some(Money { amount: gram, coin: c.coin }.times(markup)?)
            }
            (None, None) => None,
        };
        let price = a_gram.map(|g| g.times(line.course)?.rounded()).transpose()?;
        if let Some(c) = line_cost {
            cost = cost.plus(c)?;
        }
        match price {
            Some(price) => goods = goods.plus(price)?,
            None => unpriced.push(n),
        }
        lines.push(PriceLine { line: n, cost: line_cost, a_gram, price });
    }
    let off = rate(pricing.discount)?;
    if off > Rational::ONE {
        return Err(MoneyError::Negative(Rational::ONE.minus(off).ok_or(MoneyError::TooLarge)?));
    }
    let discount = goods.times(off)?.rounded()?;
    let packs = Rational::from(i128::from(plan.packs));
    let pack_fee = pricing.pack_fee.unwrap_or(zero).times(packs)?;
    let fees = zero.plus(pricing.dispensing_fee.unwrap_or(zero))?.plus(pack_fee)?.rounded()?;
    let minus = Money { amount: Rational::ZERO.minus(discount.amount).ok_or(MoneyError::TooLarge)?, coin };
    let taxed = goods.plus(minus)?.plus(fees)?;
    let tax = taxed.times(rate(pricing.tax)?)?.rounded()?;
    let total = taxed.plus(tax)?;
    let each = |n: u32| -> Result<Money, MoneyError> {
        let amount = total.amount.over(Rational::from(i128::from(n.max(1)))).ok_or(MoneyError::TooLarge)?;
        Money { amount, coin }.rounded()
    };
    Ok(Bill {
        lines,
        cost: cost.rounded()?,
        goods,
        discount,
        fees,
        tax,
        total,
        a_day: each(plan.days)?,
        a_pack: each(plan.packs)?,
        unpriced,
    })
}
