//! Taking in what was given away elsewhere, and walking over all records.

use std::ops::ControlFlow;

use schemars::JsonSchema;
use serde::Serialize;

use crate::fhir::{Incoming, LeftOut};
use crate::model::{Body, Kept, Prescription, Whole};
use crate::record::{ClinicError, people_after, signature_fits, whole};
use crate::sql::StoreError;
use crate::store::{Store, Tx};
use crate::verify::Progress;

/// What an import did.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, JsonSchema)]
pub struct TakenIn {
    /// People taken in.
    pub people: u64,
    /// Records taken in, theirs and all others.
    pub records: u64,
    /// Ids of people who were there already, or were erased here; nothing of theirs was touched.
    pub there: Vec<String>,
    /// What of the bundle was not taken over, and why.
    pub left: Vec<LeftOut>,
}

fn put<B: Body>(tx: &mut Tx<'_>, who: &str, all: Vec<Kept<B>>, count: &mut u64) -> Result<(), ClinicError> {
    for mut record in all {
        if record.by.is_empty() {
            record.by = who.into();
        }
        tx.take_in(who, record)?;
        *count += 1;
    }
    Ok(())
}

/// Takes one person in, all or nothing.
fn one(tx: &mut Tx<'_>, who: &str, of: Whole, blobs: &[(String, Vec<u8>)]) -> Result<u64, ClinicError> {
    let mut count = 0;
    put(tx, who, vec![of.person], &mut count)?;
    put(tx, who, of.visits, &mut count)?;
    put(tx, who, of.prescriptions, &mut count)?;
    put(tx, who, of.dispensings, &mut count)?;
    put(tx, who, of.measures, &mut count)?;
    put(tx, who, of.readings, &mut count)?;
    put(tx, who, of.appointments, &mut count)?;
    for mut a in of.attachments {
        let Some((_, data)) = blobs.iter().find(|(id, _)| *id == a.id) else {
            return Err(ClinicError::Fault(format!("the bytes of attachment {} are not in the bundle", a.id)));
        };
        if a.by.is_empty() {
            a.by = who.into();
        }
        a.record.bytes = data.len() as u64;
        a.record.sha256 = crate::audit::sha256(data);
        let data = data.clone();
        let kept = tx.take_in(who, a)?;
        tx.keep_bytes(&kept, data)?;
        count += 1;
    }
    Ok(count)
}

/// A signature that does not fit what it stands under is no signature: the prescription comes in as a draft, and it is said.
fn without_false_signatures(all: &mut [Kept<Prescription>], left: &mut Vec<LeftOut>) {
    for rx in all {
        if rx.record.signed.is_some() && !signature_fits(&rx.record) {
            (rx.record.signed, rx.record.withdrawn) = (None, None);
            left.push(LeftOut {
                path: format!("prescription {}", rx.id),
                why: "its signature does not fit what it says, so it came in as a draft".into(),
            });
        }
    }
}

impl Store {
    /// Takes in what a bundle holds, one person at a time, each all or nothing. Stopped at any moment and begun again, it goes on with
    /// who is not there yet.
    ///
    /// # Errors
    /// If a record cannot be kept, or it was told to stop; those before stay.
    pub fn take_in(&self, incoming: Incoming, who: &str, progress: Progress<'_>) -> Result<TakenIn, ClinicError> {
        let mut done = TakenIn { left: incoming.left, ..TakenIn::default() };
        let mut blobs = incoming.blobs;
        for mut of in incoming.wholes {
            let id = of.person.id.clone();
            let there = self.read(|db| -> Result<bool, StoreError> {
                let erased = db.one("select 1 from erased where person = ?1", &[(&id).into()])?.is_some();
                Ok(erased || crate::record::whose(db, &id)?.is_some())
            })?;
            if there {
                done.there.push(id);
                continue;
            }
            without_false_signatures(&mut of.prescriptions, &mut done.left);
            let wanted: Vec<String> = of.attachments.iter().map(|a| a.id.clone()).collect();
            let (mine, rest): (Vec<_>, Vec<_>) = blobs.into_iter().partition(|(id, _)| wanted.contains(id));
            blobs = rest;
            let who = who.to_string();
            done.records += self.write(move |tx| one(tx, &who, of, &mine))?;
            done.people += 1;
            if progress("people", done.people).is_break() {
                let left = "they stay; begin again, and it goes on with those who are not there yet".into();
                return Err(StoreError::Stopped { done: format!("{} people", done.people), left }.into());
            }
        }
        Ok(done)
    }

    /// Walks over the whole record of each person whose record was not erased.
    ///
    /// # Errors
    /// If a record cannot be read.
    pub fn each_whole(&self, see: &mut dyn FnMut(&Whole) -> ControlFlow<()>) -> Result<(), ClinicError> {
        let mut at = 0;
        loop {
            let people = self.read(|db| people_after(db, at, 200))?;
            if people.is_empty() {
                return Ok(());
            }
            for (n, id) in people {
                at = n;
                let record = self.read(|db| -> Result<Option<Whole>, ClinicError> {
                    let erased = db.one("select 1 from erased where person = ?1", &[(&id).into()])?.is_some();
                    if erased { Ok(None) } else { whole(db, &id).map(Some) }
                })?;
                if let Some(record) = record
                    && see(&record).is_break()
                {
                    return Ok(());
                }
            }
        }
    }
}
