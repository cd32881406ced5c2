//! Erasing a person's record on request, keeping what the law demands.
//!
//! What is demanded differs from place to place, and the clinic says it: for how many years after the last entry prescriptions and
//! dispensings are kept. Until then these stay, sealed, with name and birth date, so that a lot can still be recalled; everything else
//! goes at once, earlier versions too. The chain stays whole: it holds hashes, and no word of what was erased.

use jiff::civil::Date;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::audit::Deed;
use crate::model::{Kind, Person};
use crate::record::{ClinicError, get};
use crate::sql::StoreError;
use crate::store::Tx;

/// What the law demands.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Law {
    /// Years after the last prescription or dispensing for which these are kept; 0 where nothing is demanded.
    #[schemars(range(max = 100))]
    pub years: u8,
}

/// What an erasure did.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct Erased {
    /// Records that went, by kind.
    pub gone: Vec<(Kind, u64)>,
    /// Records that the law keeps, by kind.
    pub kept: Vec<(Kind, u64)>,
    /// Until when they are kept; absent where nothing is.
    #[schemars(with = "Option<String>", extend("format" = "date"))]
    pub until: Option<Date>,
}

impl Tx<'_> {
    /// Erases a person's record.
    ///
    /// # Errors
    /// If there is no such person, it was erased before, or no reason is given.
    pub fn erase(&mut self, who: &str, person: &str, law: Law, today: Date, why: &str) -> Result<Erased, ClinicError> {
        if why.trim().is_empty() {
            return Err(ClinicError::Fault("say who asked for the erasure and why".into()));
        }
        if let Some(mut r) = self.db().one("select at, until from erased where person = ?1", &[person.into()])? {
            return Err(ClinicError::Erased { person: person.into(), at: r.text(0), until: r.text(1) });
        }
        let there = get::<Person>(self.db(), person)?;
        let last = self.db().one(
            "select max(day) from record where person = ?1 and (kind = 'dispensing' or (kind = 'prescription' and state <> 'draft'))",
            &[person.into()],
        )?;
        let last: Option<Date> = last.and_then(|mut r| r.perhaps(0)).and_then(|d| d.parse().ok());
        let until = last
            .map(|d| d.saturating_add(jiff::Span::new().years(i64::from(law.years))))
            .filter(|until| law.years > 0 && *until >= today);
        let mut gone = Vec::new();
        let mut kept = Vec::new();
        for kind in Kind::ALL {
            let stays = until.is_some() && matches!(kind, Kind::Person | Kind::Prescription | Kind::Dispensing);
            // A draft was never given to anybody.
            let bar = match (stays, kind) {
                (true, Kind::Prescription) => "and state <> 'draft'",
                (true, _) => "",
                (false, _) => "and 1 = 0",
            };
            let count = |tx: &mut Self, condition: &str| -> Result<u64, StoreError> {
                let sql = format!("select count(*) from record where person = ?1 and kind = ?2 {condition}");
                let row = tx.db().one(&sql, &[person.into(), kind.word().into()])?;
                Ok(row.map_or(0, |r| r.int(0) as u64))
            };
            let (all, staying) = (count(self, "")?, count(self, bar)?);
            if all > staying {
                gone.push((kind, all - staying));
            }
            if staying > 0 {
                kept.push((kind, staying));
            }
        }
        let words = crate::search::tokens_of_all(self, person)?;
        self.note(Deed::new(self.now(), who, "erased", format!("person {person}: {why}")).of(person));
        let keep = "(kind = 'dispensing' or (kind = 'prescription' and state <> 'draft') or kind = 'person')";
        let going = if until.is_some() { format!("and not {keep}") } else { String::new() };
        // The search finds nothing of it any more but the lots that were handed out.
        let found = "delete from words where rowid in (select n from record where person = ?1 and (kind <> 'dispensing' or ?2 = ''))";
        let until_text = until.map(|d| d.to_string()).unwrap_or_default();
        self.db().execute(found, &[person.into(), (&until_text).into()])?;
        self.db().execute("delete from bytes where person = ?1", &[person.into()])?;
        self.db().execute("delete from earlier where person = ?1", &[person.into()])?;
        self.db().execute(&format!("delete from record where person = ?1 {going}"), &[person.into()])?;
        if until.is_some() {
            let sealed =
                Person { names: vec![there.record.name().to_string()], born: there.record.born, ..Person::default() };
            self.seal_person(who, person, there.version, sealed)?;
        }
        self.db().execute("delete from care where person = ?1", &[person.into()])?;
        let at = self.now().to_string();
        self.db().execute(
            "insert into erased (person, at, author, until, why) values (?1, ?2, ?3, ?4, ?5)",
            &[person.into(), at.into(), who.into(), until_text.into(), why.into()],
        )?;
        self.forget_words(&words)?;
        Ok(Erased { gone, kept, until })
    }

    fn seal_person(&mut self, who: &str, person: &str, version: u32, sealed: Person) -> Result<(), ClinicError> {
        self.change(who, person, version, sealed)?;
        self.db().execute("delete from earlier where person = ?1", &[person.into()])?;
        let found = "delete from words where rowid in (select n from record where id = ?1)";
        self.db().execute(found, &[person.into()])?;
        Ok(())
    }

    /// Erases what the law kept of records erased before, where its time is over. How many people.
    ///
    /// # Errors
    /// If the store fails.
    pub fn erase_expired(&mut self, who: &str, today: Date) -> Result<u64, ClinicError> {
        let sql = "select person from erased where until <> '' and until < ?1";
        let people = self.db().query(sql, &[today.to_string().into()])?;
        let count = people.len() as u64;
        for mut row in people {
            let person = row.text(0);
            let words = crate::search::tokens_of_all(self, &person)?;
            let found = "delete from words where rowid in (select n from record where person = ?1)";
            self.db().execute(found, &[(&person).into()])?;
            self.db().execute("delete from record where person = ?1", &[(&person).into()])?;
            self.forget_words(&words)?;
            self.db().execute("update erased set until = '' where person = ?1", &[(&person).into()])?;
            let now = self.now();
            self.note(
                Deed::new(now, who, "erased", format!("person {person}: the time that the law demands is over"))
                    .of(&person),
            );
        }
        Ok(count)
    }
}
