//! One SQLite file.

use std::path::Path;
use std::time::Duration;

use fangwright_dispense::{Entry, Log, LogError};
use rusqlite::{Connection, ErrorCode, TransactionBehavior, params};

use crate::audit::{Broken, Deed, Link, verify};

/// Why the store failed.
#[derive(Debug, thiserror::Error)]
pub enum StoreError {
    /// SQLite says so.
    #[error("the store failed: {0}")]
    Sqlite(#[from] rusqlite::Error),
    /// A row is not what was written.
    #[error("{table} row {number} cannot be read: {why}")]
    Row {
        /// Which table.
        table: &'static str,
        /// Which row.
        number: i64,
        /// Why.
        why: String,
    },
    /// The file is of a later version of the program.
    #[error("the file has form {found}, and this program knows forms up to {known}; use the newer program")]
    Newer {
        /// Form of the file.
        found: i64,
        /// The last form known.
        known: i64,
    },
    /// The chain does not hold.
    #[error(transparent)]
    Broken(#[from] Broken),
}

/// What makes of each form the next; the place in the list is the form.
const FORMS: [&str; 1] = ["
    create table stock (number integer primary key, entry text not null) strict;
    create table audit (number integer primary key, link text not null) strict;
"];

/// An open file.
pub struct Store {
    db: Connection,
}

impl Store {
    /// Opens the file and brings it to the present form; an empty one is made where there is none.
    ///
    /// # Errors
    /// If it cannot be opened or is of a later version.
    pub fn open(path: &Path) -> Result<Store, StoreError> {
        let mut db = Connection::open(path)?;
        db.busy_timeout(Duration::from_secs(10))?;
        // What is acknowledged is on the disk.
        db.pragma_update(None, "journal_mode", "wal")?;
        db.pragma_update(None, "synchronous", "full")?;
        db.pragma_update(None, "foreign_keys", "on")?;
        let tx = db.transaction_with_behavior(TransactionBehavior::Immediate)?;
        let found: i64 = tx.query_row("pragma user_version", [], |r| r.get(0))?;
        let known = FORMS.len() as i64;
        if found > known {
            return Err(StoreError::Newer { found, known });
        }
        for step in FORMS.iter().skip(usize::try_from(found).unwrap_or(0)) {
            tx.execute_batch(step)?;
        }
        tx.pragma_update(None, "user_version", known)?;
        tx.commit()?;
        Ok(Store { db })
    }

    /// Writes a deed into the chain, durably, before it returns.
    ///
    /// # Errors
    /// If it cannot be written.
    pub fn record(&mut self, deed: Deed) -> Result<Link, StoreError> {
        let tx = self.db.transaction_with_behavior(TransactionBehavior::Immediate)?;
        let last = links(&tx, "select number, link from audit order by number desc limit 1")?.pop();
        let link = match &last {
            None => Link::first(deed),
            Some(last) => Link::after(last, deed),
        };
        let text = serde_json::to_string(&link).map_err(|e| row("audit", 0, &e.to_string()))?;
        tx.execute("insert into audit (number, link) values (?1, ?2)", params![link.number as i64, text])?;
        tx.commit()?;
        Ok(link)
    }

    /// Walks over the whole chain and gives its length.
    ///
    /// # Errors
    /// Where it is broken.
    pub fn verify_audit(&self) -> Result<u64, StoreError> {
        let all = links(&self.db, "select number, link from audit order by number")?;
        Ok(verify(&all)?)
    }
}

fn row(table: &'static str, number: i64, why: &str) -> StoreError {
    StoreError::Row { table, number, why: why.into() }
}

fn links(db: &Connection, query: &str) -> Result<Vec<Link>, StoreError> {
    let mut statement = db.prepare(query)?;
    let rows = statement.query_map([], |r| Ok((r.get::<_, i64>(0)?, r.get::<_, String>(1)?)))?;
    let mut all = Vec::new();
    for found in rows {
        let (number, text) = found?;
        all.push(serde_json::from_str(&text).map_err(|e| row("audit", number, &e.to_string()))?);
    }
    Ok(all)
}

fn failed(e: &StoreError) -> LogError {
    LogError::Store(e.to_string())
}

impl Log for Store {
    fn read(&mut self, from: u64) -> Result<Vec<Entry>, LogError> {
        let read = || -> Result<Vec<Entry>, StoreError> {
            let mut statement =
                self.db.prepare_cached("select number, entry from stock where number >= ?1 order by number")?;
            let rows =
                statement.query_map(params![from as i64], |r| Ok((r.get::<_, i64>(0)?, r.get::<_, String>(1)?)))?;
            let mut all = Vec::new();
            for found in rows {
                let (number, text) = found?;
                all.push(serde_json::from_str(&text).map_err(|e| row("stock", number, &e.to_string()))?);
            }
            Ok(all)
        };
        read().map_err(|e| failed(&e))
    }

    fn append(&mut self, entry: &Entry) -> Result<(), LogError> {
        let text = serde_json::to_string(entry).map_err(|e| LogError::Store(e.to_string()))?;
        let written = self
            .db
            .execute("insert into stock (number, entry) values (?1, ?2)", params![entry.number as i64, text]);
        match written {
            Ok(_) => Ok(()),
            // The number is the key: somebody else was first.
            Err(rusqlite::Error::SqliteFailure(e, _)) if e.code == ErrorCode::ConstraintViolation => {
                Err(LogError::Taken(entry.number))
            }
            Err(e) => Err(failed(&e.into())),
        }
    }
}
