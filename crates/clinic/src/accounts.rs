//! Accounts: who may do what, passwords and second factors, sessions, and the limit on trying.
//!
//! Accounts are made, closed and recovered on the machine itself, by whoever owns it; nobody can do so from elsewhere.

use std::time::Duration;

use base64::Engine;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;
use jiff::Timestamp;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::audit::{Deed, sha256};
use crate::otp::{self, Secret};
use crate::password;
use crate::sql::{Conn, StoreError};
use crate::store::{Store, Tx};

/// What an account is for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Role {
    /// Treats people.
    Practitioner,
    /// Makes up what is prescribed, and keeps the stock.
    Dispenser,
    /// Learns, on cases without names.
    Student,
    /// Receives people, and keeps the days.
    FrontDesk,
    /// Reads the chain of what was done.
    Auditor,
}

impl Role {
    /// All roles.
    pub const ALL: [Role; 5] = [Role::Practitioner, Role::Dispenser, Role::Student, Role::FrontDesk, Role::Auditor];

    /// Its word.
    pub fn word(self) -> &'static str {
        match self {
            Role::Practitioner => "practitioner",
            Role::Dispenser => "dispenser",
            Role::Student => "student",
            Role::FrontDesk => "front-desk",
            Role::Auditor => "auditor",
        }
    }

    /// The role of a word.
    pub fn from_word(word: &str) -> Option<Role> {
        Role::ALL.into_iter().find(|r| r.word() == word)
    }
}

/// What somebody wants to do.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Act {
    /// See to one's own session, password and second factor.
    Own,
    /// See who a person is and how to reach them.
    SeeContact,
    /// Take a person in, or change how they are reached.
    KeepContact,
    /// Read what was found and thought: visits, measures, pictures, the whole record.
    ReadCare,
    /// Write it.
    WriteCare,
    /// Take a person into one's care.
    TakeIntoCare,
    /// Read prescriptions and dispensings, and what of a person bears on them.
    ReadPrescription,
    /// Write and sign prescriptions.
    Prescribe,
    /// Hand out.
    Dispense,
    /// Read the book of stock.
    ReadStock,
    /// Write it.
    KeepStock,
    /// See the days that are agreed.
    SeeDays,
    /// Agree days.
    KeepDays,
    /// Find records by words.
    Search,
    /// Ask who took a lot or a substance.
    Recall,
    /// Read cases without names.
    Practise,
    /// Give a record away or take it in.
    Exchange,
    /// Erase a record.
    Erase,
    /// Read the chain.
    Audit,
}

impl Act {
    /// All of them.
    pub const ALL: [Act; 19] = [
        Act::Own,
        Act::SeeContact,
        Act::KeepContact,
        Act::ReadCare,
        Act::WriteCare,
        Act::TakeIntoCare,
        Act::ReadPrescription,
        Act::Prescribe,
        Act::Dispense,
        Act::ReadStock,
        Act::KeepStock,
        Act::SeeDays,
        Act::KeepDays,
        Act::Search,
        Act::Recall,
        Act::Practise,
        Act::Exchange,
        Act::Erase,
        Act::Audit,
    ];
}

/// How far a role reaches with an act.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Reach {
    /// Not at all.
    No,
    /// To the people in one's care.
    Own,
    /// To all.
    All,
}

/// The whole table of who may do what.
pub fn reach(role: Role, act: Act) -> Reach {
    use Act as A;
    use Reach::{All, No, Own};
    match (act, role) {
        (A::Own, _) => All,
        (A::SeeContact, Role::Practitioner | Role::Dispenser | Role::FrontDesk) => All,
        (A::KeepContact, Role::FrontDesk | Role::Practitioner) => All,
        (A::ReadCare | A::WriteCare | A::Prescribe | A::Exchange | A::Erase, Role::Practitioner) => Own,
        (A::TakeIntoCare, Role::Practitioner) => All,
        (A::ReadPrescription | A::Dispense, Role::Dispenser) => All,
        (A::ReadPrescription | A::Dispense, Role::Practitioner) => Own,
        (A::ReadStock | A::KeepStock | A::Recall, Role::Practitioner | Role::Dispenser) => All,
        (A::SeeDays | A::KeepDays, Role::FrontDesk) => All,
        (A::SeeDays | A::KeepDays, Role::Practitioner) => Own,
        (A::Search, Role::Practitioner | Role::Dispenser | Role::FrontDesk) => All,
        (A::Practise, Role::Practitioner | Role::Student) => All,
        (A::Audit, Role::Auditor) => All,
        _ => No,
    }
}

/// An account, without what is secret of it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Account {
    /// What it logs in with: lower-case letters, digits, `.`, `-`, `_`.
    pub id: String,
    /// What it is for.
    pub role: Role,
    /// Name of whoever uses it.
    pub full_name: String,
    /// Whether a second factor is asked for.
    pub second_factor: bool,
    /// Whether it is closed.
    pub closed: bool,
}

/// Why somebody is not let in, or an account is not changed.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum AccountError {
    /// The store failed.
    #[error(transparent)]
    Store(#[from] StoreError),
    /// Account or password is wrong; which of them is not said.
    #[error("account or password is wrong, or the account is closed")]
    Refused,
    /// The password is right, and a code is wanted.
    #[error("this account has a second factor; give `code` as well")]
    CodeWanted,
    /// The code is wrong or was used.
    #[error("the code is wrong, too old, or was used before; wait for the next one")]
    CodeRefused,
    /// Too many tries.
    #[error("too many tries; wait {seconds} seconds")]
    TooMany {
        /// Seconds to wait.
        seconds: u64,
    },
    /// An id that is none.
    #[error("`{0}` is no account id; use 2 to 40 lower-case letters, digits, `.`, `-` and `_`")]
    BadId(String),
    /// There is one of this id.
    #[error("there is an account `{0}` already")]
    Taken(String),
    /// There is none.
    #[error("there is no account `{0}`")]
    NotFound(String),
    /// The password will not do.
    #[error("{0}")]
    Password(String),
    /// There is no second factor to confirm.
    #[error("no second factor waits to be confirmed; begin with a new one")]
    NothingToConfirm,
}

/// Tries that an account has in a quarter of an hour, and an address.
const TRIES: i64 = 5;
const TRIES_FROM: i64 = 30;
const WINDOW: i64 = 15 * 60;

/// A session that nobody used for so long is over, and every session after so long.
const IDLE: i64 = 4 * 3600;
const LONGEST: i64 = 16 * 3600;
/// Use is written down no more often than this.
const SEEN_EVERY: i64 = 120;

fn good_id(id: &str) -> bool {
    let fine = |b: u8| b.is_ascii_lowercase() || b.is_ascii_digit() || b"._-".contains(&b);
    (2..=40).contains(&id.len()) && id.bytes().all(fine)
}

/// An account with what is secret of it.
struct Held {
    account: Account,
    password: String,
    secret: String,
    last_step: i64,
}

const COLUMNS: &str = "id, role, full_name, password, secret, confirmed, last_step, closed";

fn held(db: &mut Conn, id: &str) -> Result<Option<Held>, StoreError> {
    let sql = format!("select {COLUMNS} from account where id = ?1");
    let Some(mut r) = db.one(&sql, &[id.into()])? else { return Ok(None) };
    Ok(Some(held_row(&mut r)?))
}

fn held_row(r: &mut crate::sql::Row) -> Result<Held, StoreError> {
    let id = r.text(0);
    let role = r.text(1);
    let role = Role::from_word(&role).ok_or_else(|| StoreError::Row {
        table: "account".into(),
        row: id.clone(),
        why: format!("`{role}` is no role"),
    })?;
    Ok(Held {
        account: Account { id, role, full_name: r.text(2), second_factor: r.int(5) == 1, closed: r.int(7) == 1 },
        password: r.text(3),
        secret: r.text(4),
        last_step: r.int(6),
    })
}

/// All accounts, by id.
///
/// # Errors
/// If the store fails.
pub fn all(db: &mut Conn) -> Result<Vec<Account>, StoreError> {
    let sql = format!("select {COLUMNS} from account order by id");
    db.query(&sql, &[])?.iter_mut().map(|r| held_row(r).map(|h| h.account)).collect()
}

/// The account of a session, where it is a session and not over.
///
/// # Errors
/// If the store fails.
pub fn of_session(store: &Store, token: &str) -> Result<Option<Account>, StoreError> {
    let key = sha256(token.as_bytes());
    let now = Timestamp::now().as_second();
    let found = store.read(|db| -> Result<_, StoreError> {
        let row = db.one("select account, begun, seen from session where token = ?1", &[(&key).into()])?;
        let Some(mut row) = row else { return Ok(None) };
        let (begun, seen) = (row.int(1), row.int(2));
        if now - begun > LONGEST || now - seen > IDLE {
            return Ok(None);
        }
        Ok(held(db, &row.text(0))?.filter(|h| !h.account.closed).map(|h| (h.account, seen)))
    })?;
    let Some((account, seen)) = found else { return Ok(None) };
    if now - seen > SEEN_EVERY {
        store.write(move |tx| -> Result<(), StoreError> {
            tx.db().execute("update session set seen = ?2 where token = ?1", &[key.into(), now.into()])?;
            Ok(())
        })?;
    }
    Ok(Some(account))
}

/// What is given to log in.
#[derive(Clone, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Credentials {
    /// The account.
    #[schemars(length(max = 100))]
    pub account: String,
    /// The password.
    #[schemars(length(max = 1000))]
    pub password: String,
    /// The code of the second factor.
    #[serde(default)]
    #[schemars(length(max = 20))]
    pub code: Option<String>,
}

/// Counts a try before it is made: a hundred at once are a hundred.
fn try_once(tx: &mut Tx<'_>, keys: [(String, i64); 2]) -> Result<i64, AccountError> {
    let now = tx.now().as_second();
    tx.db().execute("delete from attempt where at <= ?1", &[(now - WINDOW).into()])?;
    for (key, most) in &keys {
        let row = tx.db().one("select count(*), min(at) from attempt where key = ?1", &[key.into()])?;
        let (tries, first) = row.map_or((0, now), |r| (r.int(0), r.int(1)));
        if tries >= *most {
            let seconds = u64::try_from(first + WINDOW - now).unwrap_or(1).max(1);
            return Err(AccountError::TooMany { seconds });
        }
    }
    for (key, _) in keys {
        tx.db().execute("insert into attempt (key, at) values (?1, ?2)", &[key.into(), now.into()])?;
    }
    Ok(now)
}

/// A random token of 256 bits.
fn token() -> Result<String, StoreError> {
    let mut bytes = [0; 32];
    getrandom::fill(&mut bytes).map_err(|e| StoreError::Other(format!("the system gives no random bytes: {e}")))?;
    Ok(URL_SAFE_NO_PAD.encode(bytes))
}

/// Lets somebody in and gives the token of the session, which is kept nowhere but with them. `from` is where they come from.
///
/// # Errors
/// If they are not let in; each try counts.
pub fn log_in(store: &Store, given: &Credentials, from: &str) -> Result<(String, Account), AccountError> {
    let id = given.account.trim().to_lowercase();
    let (by_account, by_address) = (format!("account {}", sha256(id.as_bytes())), format!("from {from}"));
    let keys = [(by_account.clone(), TRIES), (by_address.clone(), TRIES_FROM)];
    let tried = store.write(move |tx| try_once(tx, keys))?;
    let there = store.read(|db| held(db, &id))?;
    // An unknown account costs the same time as a known one.
    let right = match &there {
        Some(h) => password::verify(&h.password, &given.password).unwrap_or(false) && !h.account.closed,
        None => password::verify_nobody(&given.password),
    };
    let Some(h) = there.filter(|_| right) else {
        let who = if good_id(&id) { id } else { "unknown".into() };
        store.note(Deed::new(Timestamp::now(), &who, "was refused", "session"))?;
        return Err(AccountError::Refused);
    };
    let step = match (h.account.second_factor, &given.code) {
        (false, _) => None,
        (true, None) => return Err(AccountError::CodeWanted),
        (true, Some(code)) => {
            let secret = Secret::from_base32(&h.secret).map_err(|e| StoreError::Other(e.to_string()))?;
            let last = u64::try_from(h.last_step).ok();
            match otp::accept(&secret, code, Timestamp::now(), last) {
                Some(step) => Some(step),
                None => {
                    store.note(Deed::new(Timestamp::now(), &id, "was refused", "second factor"))?;
                    return Err(AccountError::CodeRefused);
                }
            }
        }
    };
    let rehashed = if password::needs_rehash(&h.password) { password::hash(&given.password).ok() } else { None };
    let known = h.password.clone();
    let fresh = token()?;
    let key = sha256(fresh.as_bytes());
    store.write(move |tx| -> Result<(), AccountError> {
        let now = tx.now();
        // The password may have been changed, or the account closed, while this one was looked at.
        let same = "select 1 from account where id = ?1 and password = ?2 and closed = 0";
        if tx.db().one(same, &[(&id).into(), known.into()])?.is_none() {
            return Err(AccountError::Refused);
        }
        if let Some(step) = step {
            // Of two who use one code at the same moment only the first is let in.
            let taken = tx.db().execute(
                "update account set last_step = ?2 where id = ?1 and last_step < ?2",
                &[(&id).into(), step.into()],
            )?;
            if taken == 0 {
                return Err(AccountError::CodeRefused);
            }
        }
        if let Some(hash) = rehashed {
            tx.db().execute("update account set password = ?2 where id = ?1", &[(&id).into(), hash.into()])?;
        }
        // A good try does not count.
        tx.db().execute("delete from attempt where key = ?1", &[by_account.into()])?;
        let mine = "delete from attempt where key = ?1 and at = ?2";
        tx.db().execute(mine, &[by_address.into(), tried.into()])?;
        let over = now.as_second() - LONGEST;
        tx.db().execute("delete from session where begun < ?1", &[over.into()])?;
        tx.db().execute(
            "insert into session (token, account, begun, seen) values (?1, ?2, ?3, ?3)",
            &[key.into(), (&id).into(), now.as_second().into()],
        )?;
        tx.note(Deed::new(now, &id, "logged in", "session"));
        Ok(())
    })?;
    Ok((fresh, h.account))
}

/// Ends a session.
///
/// # Errors
/// If the store fails.
pub fn log_out(store: &Store, token: &str, who: &str) -> Result<(), StoreError> {
    let (key, who) = (sha256(token.as_bytes()), who.to_string());
    store.write(move |tx| {
        tx.db().execute("delete from session where token = ?1", &[key.into()])?;
        tx.note(Deed::new(tx.now(), &who, "logged out", "session"));
        Ok(())
    })
}

/// Makes an account; on the machine itself.
///
/// # Errors
/// If there is one, or id or password will not do.
pub fn add(store: &Store, id: &str, role: Role, full_name: &str, password: &str) -> Result<Account, AccountError> {
    if !good_id(id) {
        return Err(AccountError::BadId(id.into()));
    }
    password::check_new(password, id).map_err(|e| AccountError::Password(e.to_string()))?;
    let hash = password::hash(password).map_err(|e| AccountError::Password(e.to_string()))?;
    let account = Account { id: id.into(), role, full_name: full_name.into(), second_factor: false, closed: false };
    let made = account.clone();
    store.write(move |tx| {
        let now = tx.now();
        let done = tx.db().execute(
            "insert into account (id, role, full_name, password, secret, confirmed, last_step, closed, created) \
             values (?1, ?2, ?3, ?4, '', 0, -1, 0, ?5) on conflict do nothing",
            &[(&made.id).into(), role.word().into(), (&made.full_name).into(), hash.into(), now.to_string().into()],
        )?;
        if done == 0 {
            return Err(AccountError::Taken(made.id));
        }
        tx.note(Deed::new(now, "owner", "made account", format!("{} {}", made.id, role.word())));
        Ok(())
    })?;
    Ok(account)
}

/// Changes the password of whoever knows the old one; all other sessions end.
///
/// # Errors
/// If the old one is wrong, or the new one will not do.
pub fn change_password(store: &Store, id: &str, old: &str, new: &str, keep: &str) -> Result<(), AccountError> {
    let keys = [(format!("account {}", sha256(id.as_bytes())), TRIES), (format!("password {id}"), TRIES)];
    store.write(move |tx| try_once(tx, keys))?;
    let there = store.read(|db| held(db, id))?.ok_or_else(|| AccountError::NotFound(id.into()))?;
    if !password::verify(&there.password, old).unwrap_or(false) {
        return Err(AccountError::Refused);
    }
    set_password(store, id, id, new, Some(sha256(keep.as_bytes())), false)
}

fn set_password(
    store: &Store,
    who: &str,
    id: &str,
    new: &str,
    keep: Option<String>,
    drop_factor: bool,
) -> Result<(), AccountError> {
    password::check_new(new, id).map_err(|e| AccountError::Password(e.to_string()))?;
    let hash = password::hash(new).map_err(|e| AccountError::Password(e.to_string()))?;
    let (id, who) = (id.to_string(), who.to_string());
    store.write(move |tx| {
        let done = tx.db().execute("update account set password = ?2 where id = ?1", &[(&id).into(), hash.into()])?;
        if done == 0 {
            return Err(AccountError::NotFound(id));
        }
        if drop_factor {
            let sql = "update account set secret = '', confirmed = 0, last_step = -1 where id = ?1";
            tx.db().execute(sql, &[(&id).into()])?;
        }
        let keep = keep.unwrap_or_default();
        tx.db().execute("delete from session where account = ?1 and token <> ?2", &[(&id).into(), keep.into()])?;
        let key = format!("account {}", sha256(id.as_bytes()));
        let also = format!("password {id}");
        tx.db().execute("delete from attempt where key = ?1 or key = ?2", &[key.into(), also.into()])?;
        let what = if drop_factor { "recovered account" } else { "changed password" };
        tx.note(Deed::new(tx.now(), &who, what, id));
        Ok(())
    })
}

/// Gives an account a new password and takes its second factor away; on the machine itself, by its owner.
///
/// # Errors
/// If there is no such account, or the password will not do.
pub fn recover(store: &Store, id: &str, new: &str) -> Result<(), AccountError> {
    set_password(store, "owner", id, new, None, true)
}

/// Closes or opens an account; on the machine itself. Its sessions end.
///
/// # Errors
/// If there is none.
pub fn close(store: &Store, id: &str, closed: bool) -> Result<(), AccountError> {
    let id = id.to_string();
    store.write(move |tx| {
        let done = tx
            .db()
            .execute("update account set closed = ?2 where id = ?1", &[(&id).into(), i64::from(closed).into()])?;
        if done == 0 {
            return Err(AccountError::NotFound(id));
        }
        tx.db().execute("delete from session where account = ?1", &[(&id).into()])?;
        let what = if closed { "closed account" } else { "opened account" };
        tx.note(Deed::new(tx.now(), "owner", what, id));
        Ok(())
    })
}

/// A second factor that waits to be confirmed.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct NewFactor {
    /// The secret, in base 32.
    pub secret: String,
    /// The same as an address that an authenticator reads.
    pub uri: String,
}

/// Begins a second factor. It counts only once a code of it was given. One that counts is not replaced by this: take it away first.
///
/// # Errors
/// If the store fails.
pub fn begin_factor(store: &Store, id: &str, issuer: &str) -> Result<NewFactor, AccountError> {
    let secret = Secret::random().map_err(|e| StoreError::Other(e.to_string()))?;
    let text = secret.base32();
    let (account, kept) = (id.to_string(), text.clone());
    store.write(move |tx| -> Result<(), AccountError> {
        let sql = "update account set secret = ?2, last_step = -1 where id = ?1 and confirmed = 0";
        if tx.db().execute(sql, &[(&account).into(), kept.into()])? == 0 {
            return Err(AccountError::NothingToConfirm);
        }
        tx.note(Deed::new(tx.now(), &account, "began second factor", account.clone()));
        Ok(())
    })?;
    Ok(NewFactor { uri: secret.uri(issuer, id), secret: text })
}

/// Confirms a second factor with a code of it; from then on it is asked for.
///
/// # Errors
/// If none waits, or the code is wrong.
pub fn confirm_factor(store: &Store, id: &str, code: &str) -> Result<(), AccountError> {
    factor(store, id, code, true)
}

/// Takes a second factor away from whoever has a code of it.
///
/// # Errors
/// If there is none, or the code is wrong.
pub fn drop_factor(store: &Store, id: &str, code: &str) -> Result<(), AccountError> {
    factor(store, id, code, false)
}

fn factor(store: &Store, id: &str, code: &str, confirm: bool) -> Result<(), AccountError> {
    let keys = [(format!("code {id}"), TRIES), (format!("code of {id}"), TRIES)];
    store.write(move |tx| try_once(tx, keys))?;
    let there = store.read(|db| held(db, id))?.ok_or_else(|| AccountError::NotFound(id.into()))?;
    if there.secret.is_empty() || there.account.second_factor == confirm {
        return Err(AccountError::NothingToConfirm);
    }
    let secret = Secret::from_base32(&there.secret).map_err(|e| StoreError::Other(e.to_string()))?;
    let last = u64::try_from(there.last_step).ok();
    let step = otp::accept(&secret, code, Timestamp::now(), last).ok_or(AccountError::CodeRefused)?;
    let (id, secret_text) = (id.to_string(), there.secret);
    store.write(move |tx| {
        let (sql, what) = if confirm {
            (
                "update account set confirmed = 1, last_step = ?2 where id = ?1 and secret = ?3 and last_step < ?2",
                "confirmed second factor",
            )
        } else {
            (
                "update account set confirmed = 0, secret = '', last_step = -1 where id = ?1 and secret = ?3 and last_step < ?2",
                "took second factor away",
            )
        };
        if tx.db().execute(sql, &[(&id).into(), step.into(), secret_text.into()])? == 0 {
            return Err(AccountError::CodeRefused);
        }
        tx.db().execute(
            "delete from attempt where key = ?1 or key = ?2",
            &[format!("code {id}").into(), format!("code of {id}").into()],
        )?;
        tx.note(Deed::new(tx.now(), &id, what, id.clone()));
        Ok(())
    })
}

/// How long a session lives without use.
pub const SESSION_IDLE: Duration = Duration::from_secs(IDLE as u64);

/// Full names of all accounts.
///
/// # Errors
/// If the store fails.
pub fn full_names(db: &mut Conn) -> Result<crate::model::FullNames, StoreError> {
    Ok(all(db)?.into_iter().map(|a| (a.id, a.full_name)).collect())
}
