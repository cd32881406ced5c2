//! What dispensing knows: the pot, forms, vessels, and the words printed for patients.

use fangwright_amount::Rational;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::model::{Form, Kind, Pot, Provenance};

/// A text in the languages that are printed.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Text3 {
    /// English.
    pub en: String,
    /// Simplified Chinese.
    pub zh: String,
    /// Traditional Chinese.
    pub zh_hant: String,
}

/// Figures of the pot that hold for every cooking.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct PotFigures {
    /// Millilitres a minute lost at a strong boil.
    pub evaporation_strong: Rational,
    /// The same at a gentle boil.
    pub evaporation_gentle: Rational,
    /// Share of the first water that the second boiling takes at least.
    pub second_water: Rational,
    /// Share of the water taken up that can be pressed or drained out again.
    pub left_in_dregs: Rational,
    /// Centimetres of water above the herbs, the common rule of thumb.
    pub least_cover: Rational,
    /// Millilitres a dose for an adult, least and most.
    pub yield_adult: [Rational; 2],
    /// The same for a child.
    pub yield_child: [Rational; 2],
    /// The same for an infant.
    pub yield_infant: [Rational; 2],
    /// Where it is from.
    pub provenance: Vec<Provenance>,
}

/// Water that one gram of a dried drug takes up.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Absorption {
    /// Whole words found in a substance's `part`; empty with empty `kinds` for all others.
    #[serde(default)]
    pub part: Vec<String>,
    /// Kinds of substance.
    #[serde(default)]
    pub kinds: Vec<Kind>,
    /// Or exactly these substances.
    #[serde(default)]
    pub substances: Vec<String>,
    /// Millilitres a gram.
    pub ml: Rational,
    /// A remark.
    #[serde(default)]
    pub note: String,
    /// Where it is from.
    pub provenance: Vec<Provenance>,
}

words! {
    /// How hard the pot boils after it has come to the boil.
    Heat { Strong = "strong", Gentle = "gentle" }
}

/// How long a prescription of one sort is soaked and boiled.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Cooking {
    /// Stable id.
    pub id: String,
    /// English.
    pub en: String,
    /// Simplified Chinese.
    pub zh: String,
    /// Traditional Chinese.
    pub zh_hant: String,
    /// Actions of the ingredients for which this is the rule.
    #[serde(default)]
    pub actions: Vec<String>,
    /// The least share of the grams that these have to be; the first such rule of the file holds.
    pub share: Option<Rational>,
    /// Whether it holds where no other does.
    #[serde(default)]
    pub default: bool,
    /// Minutes of soaking.
    pub soak: u32,
    /// Minutes of the first boiling, from the boil.
    pub first: u32,
    /// Minutes of the second.
    pub second: u32,
    /// How hard it boils.
    pub heat: Heat,
    /// A remark.
    #[serde(default)]
    pub note: String,
    /// Where it is from.
    pub provenance: Vec<Provenance>,
}

/// What has to be boiled long so that it does not poison.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct LongBoil {
    /// Substance ids.
    pub substances: Vec<String>,
    /// Up to so many raw grams a day: so many minutes before the others go in. Above the last step the last holds.
    pub steps: Vec<(Rational, u32)>,
    /// Why, as it is printed.
    pub why: Text3,
    /// A remark.
    #[serde(default)]
    pub note: String,
    /// Where it is from.
    pub provenance: Vec<Provenance>,
}

/// What is done with an ingredient of special handling.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Handling {
    /// The handling.
    pub pot: Pot,
    /// Only for these; the more specific record stands first in the file.
    #[serde(default)]
    pub substances: Vec<String>,
    /// Only for these kinds.
    #[serde(default)]
    pub kinds: Vec<Kind>,
    /// Minutes, least and most: before the others for what is cooked first, before the end for what is added last.
    pub minutes: Option<[u32; 2]>,
    /// As printed for a patient, English.
    pub en: String,
    /// Simplified Chinese.
    pub zh: String,
    /// Traditional Chinese.
    pub zh_hant: String,
    /// Two or three words for the dispenser, English.
    pub worksheet_en: String,
    /// The same in Chinese.
    pub worksheet_zh: String,
    /// Where it is from.
    pub provenance: Vec<Provenance>,
}

words! {
    /// Whether a vessel will do.
    Fit { Good = "good", Acceptable = "acceptable", Never = "never" }
}

/// A vessel to cook in.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Vessel {
    /// Stable id.
    pub id: String,
    /// English.
    pub en: String,
    /// Simplified Chinese.
    pub zh: String,
    /// Traditional Chinese.
    pub zh_hant: String,
    /// Whether it will do.
    pub fit: Fit,
    /// Why.
    pub why: Text3,
    /// Where it is from.
    pub provenance: Vec<Provenance>,
}

/// A form in which a prescription is made up, with the figures that its making rests on.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Preparation {
    /// Stable id.
    pub id: String,
    /// English.
    pub en: String,
    /// Simplified Chinese.
    pub zh: String,
    /// Traditional Chinese.
    pub zh_hant: String,
    /// The form that safety rules and dose ranges know.
    pub form: Form,
    /// Usual grams of the finished preparation a day for an adult.
    pub daily_grams: Option<[Rational; 2]>,
    /// Usual millilitres a day of what is liquid.
    pub daily_ml: Option<[Rational; 2]>,
    /// Usual doses a day.
    pub doses: Option<u32>,
    /// Share that is lost in making.
    pub loss: Option<Rational>,
    /// Grams of refined honey to one gram of powder: least, usual, most.
    pub honey: Option<[Rational; 3]>,
    /// Weights of one pill that are usual.
    #[serde(default)]
    pub unit_grams: Vec<Rational>,
    /// What binds it.
    pub binder: Option<Binder>,
    /// Millilitres of solvent to one gram.
    pub ratio: Option<Rational>,
    /// Per cent of alcohol by volume that are usual.
    #[serde(default)]
    pub strength: Vec<Rational>,
    /// Days of steeping.
    pub steep_days: Option<u32>,
    /// Grams of sugar in a litre, least and most.
    pub sugar: Option<[Rational; 2]>,
    /// Millilitres of water to one gram of what is washed with.
    pub water_times: Option<Rational>,
    /// Days it keeps.
    pub shelf_days: Option<u32>,
    /// Whether it keeps in the refrigerator only.
    #[serde(default)]
    pub fridge: bool,
    /// How it is taken or used, as printed for a patient.
    pub how: Text3,
    /// How it is made, for the worksheet.
    pub makers_note: Option<Binder>,
    /// What to beware of.
    pub cautions: Option<Text3>,
    /// Where it is from.
    pub provenance: Vec<Provenance>,
}

/// A text for the dispenser, in two languages.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Binder {
    /// English.
    pub en: String,
    /// Chinese.
    pub zh: String,
}

/// How many grams of raw drug one gram of a granule usually stands for; the clinic's stock file rules.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct GranuleRatio {
    /// Whole words found in a substance's `part`.
    #[serde(default)]
    pub part: Vec<String>,
    /// Kinds of substance.
    #[serde(default)]
    pub kinds: Vec<Kind>,
    /// Or exactly these substances.
    #[serde(default)]
    pub substances: Vec<String>,
    /// Raw grams to one gram of granule.
    pub ratio: Rational,
    /// A remark.
    #[serde(default)]
    pub note: String,
    /// Where it is from.
    pub provenance: Vec<Provenance>,
}

/// Alcohol that suits a sort of drug.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct TinctureStrength {
    /// Whole words found in a substance's `part`.
    #[serde(default)]
    pub parts: Vec<String>,
    /// Kinds of substance.
    #[serde(default)]
    pub kinds: Vec<Kind>,
    /// Or exactly these substances.
    #[serde(default)]
    pub substances: Vec<String>,
    /// Per cent by volume.
    pub strength: Rational,
    /// Why.
    pub why: Text3,
    /// Where it is from.
    pub provenance: Vec<Provenance>,
}

/// A word or sentence of a printed page.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Phrase {
    /// The key by which templates ask for it.
    pub id: String,
    /// English.
    pub en: String,
    /// Simplified Chinese.
    pub zh: String,
    /// Traditional Chinese.
    pub zh_hant: String,
}

/// Advice printed on a patient's sheet where something in the prescription asks for it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Advice {
    /// Stable id.
    pub id: String,
    /// `avoid` or `stop`: what to avoid, or when to stop and call.
    pub topic: String,
    /// Printed where one ingredient has one of these actions; with nothing else given, always.
    #[serde(default)]
    pub actions: Vec<String>,
    /// Or is one of these.
    #[serde(default)]
    pub substances: Vec<String>,
    /// Or the preparation is one of these.
    #[serde(default)]
    pub preparations: Vec<String>,
    /// English.
    pub en: String,
    /// Simplified Chinese.
    pub zh: String,
    /// Traditional Chinese.
    pub zh_hant: String,
    /// Where it is from.
    pub provenance: Vec<Provenance>,
}

/// Everything that dispensing knows.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize)]
pub struct Dispensing {
    /// Figures of the pot.
    pub pot: PotFigures,
    /// Water taken up, the first that fits.
    pub absorption: Vec<Absorption>,
    /// How long it is boiled.
    pub cooking: Vec<Cooking>,
    /// What has to be boiled long.
    pub long_boil: Vec<LongBoil>,
    /// Special handling, the first that fits.
    pub handling: Vec<Handling>,
    /// Vessels.
    pub vessel: Vec<Vessel>,
    /// Forms.
    pub preparation: Vec<Preparation>,
    /// Usual ratios of granules, the first that fits.
    pub granule: Vec<GranuleRatio>,
    /// Alcohol by part, the first that fits.
    pub tincture_strength: Vec<TinctureStrength>,
    /// Words of printed pages.
    pub phrase: Vec<Phrase>,
    /// Advice of patients' sheets.
    pub advice: Vec<Advice>,
}

impl Dispensing {
    /// A preparation by id.
    pub fn preparation(&self, id: &str) -> Option<&Preparation> {
        self.preparation.iter().find(|p| p.id == id)
    }

    /// Whether one of the words stands in `part` as whole words.
    pub fn part_has(part: &str, words: &[String]) -> bool {
        let padded = format!(" {} ", part.replace([',', ';', '(', ')'], " "));
        words.iter().any(|w| padded.contains(&format!(" {w} ")))
    }
}

/// The same, as it stands in a file.
#[derive(Deserialize, Default)]
#[serde(default)]
pub(crate) struct RawDispensing {
    pub(crate) pot: Option<PotFigures>,
    pub(crate) absorption: Vec<Absorption>,
    pub(crate) cooking: Vec<Cooking>,
    pub(crate) long_boil: Vec<LongBoil>,
    pub(crate) handling: Vec<Handling>,
    pub(crate) vessel: Vec<Vessel>,
    pub(crate) preparation: Vec<Preparation>,
    pub(crate) granule: Vec<GranuleRatio>,
    pub(crate) tincture_strength: Vec<TinctureStrength>,
    pub(crate) phrase: Vec<Phrase>,
    pub(crate) advice: Vec<Advice>,
}

impl RawDispensing {
    /// Puts it over what is there: a known id is replaced, what has no id goes before what was there, so that it is met first.
    pub(crate) fn over(self, d: &mut Dispensing) {
        fn by_id<T>(new: Vec<T>, list: &mut Vec<T>, id: impl Fn(&T) -> &str) {
            for x in new {
                match list.iter().position(|old| id(old) == id(&x)) {
                    Some(i) => list[i] = x,
                    None => list.push(x),
                }
            }
        }
        fn first<T>(mut new: Vec<T>, list: &mut Vec<T>) {
            new.append(list);
            *list = new;
        }
        if let Some(pot) = self.pot {
            d.pot = pot;
        }
        first(self.absorption, &mut d.absorption);
        by_id(self.cooking, &mut d.cooking, |x| &x.id);
        first(self.long_boil, &mut d.long_boil);
        first(self.handling, &mut d.handling);
        by_id(self.vessel, &mut d.vessel, |x| &x.id);
        by_id(self.preparation, &mut d.preparation, |x| &x.id);
        first(self.granule, &mut d.granule);
        first(self.tincture_strength, &mut d.tincture_strength);
        by_id(self.phrase, &mut d.phrase, |x| &x.id);
        by_id(self.advice, &mut d.advice, |x| &x.id);
    }

    /// Substances, actions and sources that it names, each with where it stands.
    pub(crate) fn references(&self) -> (Vec<&str>, Vec<&str>, Vec<&str>) {
        let mut substances: Vec<&str> = Vec::new();
        let mut actions: Vec<&str> = Vec::new();
        let mut sources: Vec<&str> = Vec::new();
        substances.extend(self.absorption.iter().flat_map(|x| &x.substances).map(String::as_str));
        substances.extend(self.granule.iter().flat_map(|x| &x.substances).map(String::as_str));
        substances.extend(self.tincture_strength.iter().flat_map(|x| &x.substances).map(String::as_str));
        substances.extend(self.long_boil.iter().flat_map(|x| &x.substances).map(String::as_str));
        substances.extend(self.handling.iter().flat_map(|x| &x.substances).map(String::as_str));
        substances.extend(self.advice.iter().flat_map(|x| &x.substances).map(String::as_str));
        actions.extend(self.cooking.iter().flat_map(|x| &x.actions).map(String::as_str));
        actions.extend(self.advice.iter().flat_map(|x| &x.actions).map(String::as_str));
        let all = (self.pot.iter().map(|x| &x.provenance))
            .chain(self.absorption.iter().map(|x| &x.provenance))
            .chain(self.cooking.iter().map(|x| &x.provenance))
            .chain(self.long_boil.iter().map(|x| &x.provenance))
            .chain(self.handling.iter().map(|x| &x.provenance))
            .chain(self.vessel.iter().map(|x| &x.provenance))
            .chain(self.preparation.iter().map(|x| &x.provenance))
            .chain(self.granule.iter().map(|x| &x.provenance))
            .chain(self.tincture_strength.iter().map(|x| &x.provenance))
            .chain(self.advice.iter().map(|x| &x.provenance));
        sources.extend(all.flatten().map(|p| p.source.as_str()));
        (substances, actions, sources)
    }
}
