//! Handing out: a signed prescription is planned on the stock it is taken from, and all of it is kept at once.

use std::collections::BTreeMap;

use fangwright_dispense::{Drinker, Movement, Order, Plan, Pricing, Weight, bill, plan, prescribed};
use fangwright_formula::label;
use fangwright_safety::Exact;
use jiff::civil::Date;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::model::{DispensedLine, Dispensing, Kept, Person, Prescription};
use crate::record::{ClinicError, check, get, patient_of};
use crate::store::{Lore, Tx};

/// How a prescription is to be made up. What is absent is as usual.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Making {
    /// The preparation: an id of `dispensing/forms.toml`.
    pub preparation: String,
    /// For how many days; the prescription's own where absent.
    #[serde(default)]
    #[schemars(range(min = 1, max = 400))]
    pub days: Option<u32>,
    /// Doses a day.
    #[serde(default)]
    #[schemars(range(min = 1, max = 12))]
    pub doses: Option<u32>,
    /// Grams that the scale resolves.
    #[serde(default)]
    pub scale: Option<Exact>,
    /// One boiling or two.
    #[serde(default)]
    #[schemars(range(min = 1, max = 2))]
    pub boilings: Option<u32>,
    /// Which product for a substance (ids), where there are several.
    #[serde(default)]
    pub products: BTreeMap<String, String>,
    /// A granule of a whole formula to build on (product id).
    #[serde(default)]
    pub whole: Option<String>,
    /// The number on the label; made of day and time where absent.
    #[serde(default)]
    #[schemars(length(max = 40))]
    pub number: Option<String>,
    /// How the clinic prices.
    #[serde(default)]
    #[schemars(skip)]
    pub pricing: Option<Pricing>,
}

/// The plan of a prescription on a stock, or on none.
///
/// # Errors
/// If the prescription is not signed, a finding stands against it today, or it cannot be made up.
pub fn planned(
    lore: &Lore,
    rx: &Kept<Prescription>,
    person: &Person,
    making: &Making,
    day: Date,
    laws: &[String],
    stock: Option<&fangwright_dispense::Stock>,
) -> Result<Plan, ClinicError> {
    let state = rx.record.state_word();
    if state != "signed" {
        return Err(ClinicError::NotSigned { id: rx.id.clone(), state: state.into() });
    }
    if !crate::record::signature_fits(&rx.record) {
        let why = "its signature does not fit what it says; it was changed behind the program's back".into();
        return Err(ClinicError::Unreadable { kind: "prescription".into(), id: rx.id.clone(), why });
    }
    // What was learnt of the person since the signature counts.
    let (case, facts, report) = check(lore, &rx.record, person, day, laws)?;
    if report.stands() {
        return Err(ClinicError::stands(&report));
    }
    let m = lore.materia();
    let (items, unweighed) = prescribed(&case);
    if let Some(portion) = unweighed.first().and_then(|n| case.portions.get(*n)) {
        return Err(ClinicError::Fault(format!(
            "{} has no weight; nothing can be weighed",
            label(m, portion.substance)
        )));
    }
    if let Some(unread) = case.unread.first() {
        return Err(ClinicError::Fault(format!("nothing is known of `{}`; it cannot be made up", unread.written)));
    }
    let days = making
        .days
        .or(rx.record.days)
        .ok_or_else(|| ClinicError::Fault("for how many days? the prescription does not say; give `days`".into()))?;
    let patient = patient_of(person, day, &rx.record.patterns, laws);
    let usual = Order::new(&making.preparation, days, day);
    let order = Order {
        doses: making.doses.or(rx.record.doses),
        scale: making.scale.map_or(usual.scale, |s| s.0),
        boilings: making.boilings.unwrap_or(usual.boilings),
        products: making.products.clone(),
        whole: making.whole.clone(),
        drinker: Drinker::of(&facts),
        weight_known: patient.weight_kg.is_some(),
        ..usual
    };
    plan(m, &items, &order, stock).map_err(|e| ClinicError::Plan(Box::new(e)))
}

impl Tx<'_> {
    /// Hands out a signed prescription: plans it on the stock there is, takes the lots, and keeps the dispensing, all or nothing.
    ///
    /// # Errors
    /// If it may not go out, or stock does not have it.
    pub fn hand_out(
        &mut self,
        who: &str,
        prescription: &str,
        making: &Making,
        day: Date,
        laws: &[String],
    ) -> Result<(Kept<Dispensing>, Plan), ClinicError> {
        let rx = get::<Prescription>(self.db(), prescription)?;
        let person = get::<Person>(self.db(), &rx.person)?;
        let lore = self.lore();
        // A clinic that keeps no book of stock hands out without lots.
        let stock = self.stock()?;
        let book = (stock.entries() > 0).then_some(stock);
        let plan = planned(lore, &rx, &person.record, making, day, laws, book)?;
        if let Some(stop) = plan.remarks.iter().find(|r| r.weight == Weight::Stop) {
            return Err(ClinicError::Fault(stop.text.clone()));
        }
        let price = match &making.pricing {
            None => None,
            Some(pricing) => {
                let bill = bill(&plan, stock, pricing).map_err(|e| ClinicError::Fault(e.to_string()))?;
                Some(bill.total.to_string())
            }
        };
        let number = making.number.clone().unwrap_or_else(|| {
            let at = self.now().to_zoned_datetime(jiff::tz::TimeZone::system());
            // The time alone may be shared by two counters.
            let tail = crate::record::new_id();
            let tail = tail.rsplit('-').next().and_then(|t| t.get(8..)).unwrap_or("0").to_uppercase();
            format!("{}-{tail}", at.strftime("%Y%m%d-%H%M%S"))
        });
        let m = lore.materia();
        let mut lines = Vec::new();
        for line in &plan.lines {
            let substance = line.substance.map_or(line.name.clone(), |ix| m.substance(ix).id.clone());
            if line.picks.is_empty() {
                let grams = Exact(line.course);
                lines.push(DispensedLine {
                    substance: substance.clone(),
                    product: String::new(),
                    lot: String::new(),
                    grams,
                });
            }
            for p in &line.picks {
                lines.push(DispensedLine {
                    substance: substance.clone(),
                    product: p.product.clone(),
                    lot: p.lot.clone(),
                    grams: Exact(p.grams),
                });
            }
        }
        let picks: Vec<_> = plan.lines.iter().flat_map(|l| l.picks.clone()).collect();
        let dispensing = Dispensing {
            prescription: prescription.into(),
            number: number.clone(),
            on: day,
            dispenser: who.into(),
            preparation: plan.preparation.clone(),
            days: plan.days,
            doses: Some(plan.doses),
            lines,
            remarks: plan.remarks.iter().map(|r| r.text.clone()).collect(),
            price,
        };
        let kept = self.create(who, Some(&rx.person), dispensing)?;
        // Stock comes last: what it refuses takes all of this back.
        if !picks.is_empty() {
            self.move_stock(day, who, Movement::Reserve { dispensing: number.clone(), picks })?;
            self.move_stock(day, who, Movement::Use { dispensing: number, patient: rx.person.clone() })?;
        }
        Ok((kept, plan))
    }
}
