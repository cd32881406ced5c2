//! One way to speak to SQLite and to PostgreSQL.
//!
//! Statements are written once, with `?1`, `?2` … for what is put in; for PostgreSQL they become `$1`, `$2` …. Columns hold whole
//! numbers, texts or bytes, nothing else: the rest is in the text of a record.

use std::fmt::Display;
use std::path::{Path, PathBuf};
use std::str::FromStr;
use std::time::Duration;

use postgres::types::{IsNull, ToSql, Type, to_sql_checked};
use rusqlite::ErrorCode;
use rusqlite::types::{ToSqlOutput, ValueRef};
use rustc_hash::FxHashMap;

use crate::audit::Broken;

/// Why the store failed.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum StoreError {
    /// No room is left.
    #[error(
        "the disk is full, and nothing of this was kept ({0}); make room and try again: what was kept before is whole"
    )]
    Full(String),
    /// The disk or file takes nothing.
    #[error(
        "the store can only be read ({0}); nothing of this was kept: see who may write to the file, or how the disk is mounted"
    )]
    ReadOnly(String),
    /// There is no server, or it went away.
    #[error("the database cannot be reached ({0}); nothing is known to be kept of what was not acknowledged")]
    Away(String),
    /// The store is held by somebody else.
    #[error("the store is busy ({0}); try again")]
    Busy(String),
    /// The file is damaged or no store.
    #[error("the store is damaged, or is no store of ours ({0}); restore the last backup")]
    Damaged(String),
    /// A key is taken.
    #[error("there is one already ({0})")]
    Taken(String),
    /// Anything else the database says.
    #[error("the database says: {0}")]
    Other(String),
    /// A row is not what was written.
    #[error("{table} row {row} cannot be read: {why}")]
    Row {
        /// Which table.
        table: String,
        /// Which row.
        row: String,
        /// Why.
        why: String,
    },
    /// The store is of a later version of the program.
    #[error("the store has form {found}, and this program knows forms up to {known}; use the newer program")]
    Newer {
        /// Form of the store.
        found: i64,
        /// The last form known.
        known: i64,
    },
    /// The chain does not hold.
    #[error(transparent)]
    Broken(#[from] Broken),
    /// The store is being closed.
    #[error("the store is closed, or the work failed midway; nothing of it was kept")]
    Closed,
    /// Long work was stopped by whoever asked for it.
    #[error("stopped as asked after {done}; {left}")]
    Stopped {
        /// How much was done.
        done: String,
        /// In what state it was left.
        left: String,
    },
}

impl From<rusqlite::Error> for StoreError {
    fn from(e: rusqlite::Error) -> StoreError {
        let text = e.to_string();
        match e.sqlite_error_code() {
            Some(ErrorCode::DiskFull) => StoreError::Full(text),
            Some(ErrorCode::ReadOnly | ErrorCode::PermissionDenied) => StoreError::ReadOnly(text),
            // What a full disk looks like from beneath a journal.
            Some(ErrorCode::SystemIoFailure) => StoreError::Full(format!("writing failed: {text}")),
            Some(ErrorCode::CannotOpen) => StoreError::Away(text),
            Some(ErrorCode::DatabaseBusy | ErrorCode::DatabaseLocked) => StoreError::Busy(text),
            Some(ErrorCode::DatabaseCorrupt | ErrorCode::NotADatabase) => StoreError::Damaged(text),
            Some(ErrorCode::ConstraintViolation) => StoreError::Taken(text),
            _ => StoreError::Other(text),
        }
    }
}

impl From<postgres::Error> for StoreError {
    fn from(e: postgres::Error) -> StoreError {
        let Some(db) = e.as_db_error() else {
            let cause = std::error::Error::source(&e).map(|s| format!(": {s}")).unwrap_or_default();
            return StoreError::Away(format!("{e}{cause}"));
        };
        let text = db.message().to_string();
        match db.code().code() {
            "53100" => StoreError::Full(text),
            "25006" => StoreError::ReadOnly(text),
            "57014" => StoreError::Busy(text),
            code if code.starts_with("57P") || code.starts_with("08") => StoreError::Away(text),
            code if code.starts_with("53") || code.starts_with("40") || code == "55P03" => StoreError::Busy(text),
            code if code.starts_with("23") => StoreError::Taken(text),
            code if code.starts_with("XX") => StoreError::Damaged(text),
            code => StoreError::Other(format!("{text} ({code})")),
        }
    }
}

/// One value.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Val {
    /// Nothing.
    Null,
    /// A whole number.
    Int(i64),
    /// A text.
    Text(String),
    /// Bytes.
    Blob(Vec<u8>),
}

impl From<i64> for Val {
    fn from(n: i64) -> Val {
        Val::Int(n)
    }
}

impl From<u64> for Val {
    fn from(n: u64) -> Val {
        Val::Int(n as i64)
    }
}

impl From<u32> for Val {
    fn from(n: u32) -> Val {
        Val::Int(n.into())
    }
}

impl From<&str> for Val {
    fn from(text: &str) -> Val {
        Val::Text(text.into())
    }
}

impl From<String> for Val {
    fn from(text: String) -> Val {
        Val::Text(text)
    }
}

impl From<&String> for Val {
    fn from(text: &String) -> Val {
        Val::Text(text.clone())
    }
}

impl From<Vec<u8>> for Val {
    fn from(bytes: Vec<u8>) -> Val {
        Val::Blob(bytes)
    }
}

impl<T: Into<Val>> From<Option<T>> for Val {
    fn from(value: Option<T>) -> Val {
        value.map_or(Val::Null, Into::into)
    }
}

impl rusqlite::ToSql for Val {
    fn to_sql(&self) -> rusqlite::Result<ToSqlOutput<'_>> {
        Ok(ToSqlOutput::Borrowed(match self {
            Val::Null => ValueRef::Null,
            Val::Int(n) => ValueRef::Integer(*n),
            Val::Text(t) => ValueRef::Text(t.as_bytes()),
            Val::Blob(b) => ValueRef::Blob(b),
        }))
    }
}

type Pack = Result<IsNull, Box<dyn std::error::Error + Sync + Send>>;

impl ToSql for Val {
    fn to_sql(&self, ty: &Type, out: &mut postgres::types::private::BytesMut) -> Pack {
        match self {
            Val::Null => Ok(IsNull::Yes),
            Val::Int(n) if *ty == Type::INT4 => i32::try_from(*n)?.to_sql(ty, out),
            Val::Int(n) => n.to_sql(ty, out),
            Val::Text(t) => t.to_sql(ty, out),
            Val::Blob(b) => b.to_sql(ty, out),
        }
    }

    fn accepts(_: &Type) -> bool {
        true
    }

    to_sql_checked!();
}

/// A row that was found.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Row(pub Vec<Val>);

impl Row {
    /// The text of a column; empty where there is none.
    pub fn text(&mut self, column: usize) -> String {
        match self.0.get_mut(column).map(|v| std::mem::replace(v, Val::Null)) {
            Some(Val::Text(t)) => t,
            Some(Val::Int(n)) => n.to_string(),
            _ => String::new(),
        }
    }

    /// The text of a column, or nothing.
    pub fn perhaps(&mut self, column: usize) -> Option<String> {
        match self.0.get(column) {
            Some(Val::Text(_)) => Some(self.text(column)),
            _ => None,
        }
    }

    /// The number of a column; 0 where there is none.
    pub fn int(&self, column: usize) -> i64 {
        match self.0.get(column) {
            Some(Val::Int(n)) => *n,
            _ => 0,
        }
    }

    /// The bytes of a column.
    pub fn blob(&mut self, column: usize) -> Vec<u8> {
        match self.0.get_mut(column).map(|v| std::mem::replace(v, Val::Null)) {
            Some(Val::Blob(b)) => b,
            _ => Vec::new(),
        }
    }
}

/// Where a store is.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Place {
    /// A SQLite file.
    File(PathBuf),
    /// A PostgreSQL database, by its address.
    Server(String),
}

impl FromStr for Place {
    type Err = std::convert::Infallible;

    fn from_str(text: &str) -> Result<Place, Self::Err> {
        let server = ["postgres://", "postgresql://"].iter().any(|p| text.starts_with(p));
        Ok(if server { Place::Server(text.into()) } else { Place::File(text.into()) })
    }
}

impl Display for Place {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Place::File(path) => write!(f, "{}", path.display()),
            // The address may hold a password.
            Place::Server(address) => match address.rsplit_once('@') {
                Some((_, rest)) => write!(f, "postgres://…@{rest}"),
                None => f.write_str(address),
            },
        }
    }
}

/// One open connection.
pub enum Conn {
    /// SQLite.
    Lite(Box<Lite>),
    /// PostgreSQL.
    Server(Box<Server>),
}

/// A SQLite file.
pub struct Lite {
    db: rusqlite::Connection,
    /// The error that made SQLite take back a whole transaction on its own, as a full disk does.
    undone: Option<StoreError>,
}

impl Lite {
    fn notice<T>(&mut self, done: Result<T, rusqlite::Error>) -> Result<T, StoreError> {
        done.map_err(|e| {
            let e = StoreError::from(e);
            if self.db.is_autocommit() {
                self.undone.get_or_insert_with(|| e.clone());
            }
            e
        })
    }
}

/// A connection to PostgreSQL with what was prepared on it.
pub struct Server {
    client: postgres::Client,
    prepared: FxHashMap<String, postgres::Statement>,
}

fn open_file(path: &Path, reads_only: bool) -> Result<Conn, StoreError> {
    use rusqlite::OpenFlags;
    let mut flags = OpenFlags::SQLITE_OPEN_READ_WRITE | OpenFlags::SQLITE_OPEN_NO_MUTEX;
    if !reads_only {
        flags |= OpenFlags::SQLITE_OPEN_CREATE;
    }
    let db = rusqlite::Connection::open_with_flags(path, flags)?;
    db.busy_timeout(PATIENCE)?;
    if reads_only {
        db.pragma_update(None, "query_only", "on")?;
    } else {
        db.pragma_update(None, "journal_mode", "wal")?;
        // What is acknowledged is on the disk.
        db.pragma_update(None, "synchronous", "full")?;
        // What is erased is overwritten.
        db.pragma_update(None, "secure_delete", "on")?;
    }
    db.set_prepared_statement_cache_capacity(64);
    Ok(Conn::Lite(Box::new(Lite { db, undone: None })))
}

/// SQLite says of a disk that takes nothing only that the file cannot be opened; a file beside it shows which of the two it is.
fn why_not(path: &Path, e: StoreError) -> StoreError {
    use std::io::ErrorKind;
    let StoreError::Away(text) = e else { return e };
    let mut trial = path.as_os_str().to_owned();
    trial.push(".trial");
    // Beside the file: closing the file itself would drop SQLite's locks.
    match std::fs::OpenOptions::new().write(true).create_new(true).open(&trial) {
        Ok(_) => {
            let _ = std::fs::remove_file(&trial);
            StoreError::Away(text)
        }
        Err(io) if matches!(io.kind(), ErrorKind::ReadOnlyFilesystem | ErrorKind::PermissionDenied) => {
            StoreError::ReadOnly(format!(
                "{text}; to read it, copy the file, with its -wal if there is one, to a disk that can be written"
            ))
        }
        Err(_) => StoreError::Away(text),
    }
}

/// Over TLS, with the server's certificate verified, where the address says `sslmode=require`. To another machine nothing goes in the
/// clear unless the address says `sslmode=disable`, as over a tunnel.
fn connect(config: &postgres::Config) -> Result<postgres::Client, StoreError> {
    use postgres::config::{Host, SslMode};
    let here = |h: &Host| match h {
        Host::Tcp(name) => name == "localhost" || name.parse::<std::net::IpAddr>().is_ok_and(|ip| ip.is_loopback()),
        #[allow(unreachable_patterns, reason = "sockets are not on every system")]
        _ => true,
    };
    match config.get_ssl_mode() {
        SslMode::Prefer if !config.get_hosts().iter().all(here) => Err(StoreError::Away(
            "the server is on another machine; add `sslmode=require` to the address, or `sslmode=disable` where the way there is sealed otherwise".into(),
        )),
        SslMode::Disable | SslMode::Prefer => Ok(config.clone().ssl_mode(SslMode::Disable).connect(postgres::NoTls)?),
        _ => {
            let (tls, _) = tokio_postgres_rustls::MakeRustlsConnect::with_native_certs()
                .map_err(|e| StoreError::Away(format!("the certificates of this machine cannot be read: {e:?}")))?;
            Ok(config.connect(tls)?)
        }
    }
}

/// How long a connection waits for another one's write.
const PATIENCE: Duration = Duration::from_secs(20);

impl Conn {
    /// Opens a connection. One that only reads is refused every write by the database itself.
    ///
    /// # Errors
    /// If there is no such file or server, or it may not be opened.
    pub fn open(place: &Place, reads_only: bool) -> Result<Conn, StoreError> {
        match place {
            Place::File(path) => open_file(path, reads_only).map_err(|e| why_not(path, e)),
            Place::Server(address) => {
                let mut config: postgres::Config = address.parse().map_err(StoreError::from)?;
                config.connect_timeout(Duration::from_secs(10));
                let mut client = connect(&config)?;
                if reads_only {
                    client.batch_execute("set default_transaction_read_only = on")?;
                }
                client.batch_execute("set lock_timeout = '20s'; set client_min_messages = 'warning'; set jit = off")?;
                Ok(Conn::Server(Box::new(Server { client, prepared: FxHashMap::default() })))
            }
        }
    }

    /// Whether this is PostgreSQL.
    pub fn is_server(&self) -> bool {
        matches!(self, Conn::Server(_))
    }

    /// Whether the connection is dead for good.
    pub fn is_lost(&self) -> bool {
        match self {
            Conn::Lite(_) => false,
            Conn::Server(s) => s.client.is_closed(),
        }
    }

    /// The error that made the database take back a whole transaction on its own, if one did since this was last asked.
    pub(crate) fn undone(&mut self) -> Option<StoreError> {
        match self {
            Conn::Lite(lite) => lite.undone.take(),
            Conn::Server(_) => None,
        }
    }

    /// Runs statements that take nothing and give nothing.
    ///
    /// # Errors
    /// What the database says.
    pub fn batch(&mut self, sql: &str) -> Result<(), StoreError> {
        match self {
            Conn::Lite(lite) => {
                let done = lite.db.execute_batch(sql);
                lite.notice(done)
            }
            Conn::Server(s) => Ok(s.client.batch_execute(sql)?),
        }
    }

    /// Asks for rows.
    ///
    /// # Errors
    /// What the database says.
    pub fn query(&mut self, sql: &str, params: &[Val]) -> Result<Vec<Row>, StoreError> {
        match self {
            Conn::Lite(lite) => {
                let done = rows_of(&lite.db, sql, params);
                lite.notice(done)
            }
            Conn::Server(s) => {
                let statement = s.prepared(sql)?;
                let params: Vec<&(dyn ToSql + Sync)> = params.iter().map(|p| p as _).collect();
                let rows = s.client.query(&statement, &params)?;
                rows.iter().map(unpack).collect()
            }
        }
    }

    /// Asks for rows with a plan made for these very values: of a search, rare words and frequent ones want different plans, and a plan
    /// that PostgreSQL keeps for all of them is wrong for most.
    ///
    /// # Errors
    /// What the database says.
    pub fn query_planned(&mut self, sql: &str, params: &[Val]) -> Result<Vec<Row>, StoreError> {
        match self {
            Conn::Lite(_) => self.query(sql, params),
            Conn::Server(s) => {
                let params: Vec<&(dyn ToSql + Sync)> = params.iter().map(|p| p as _).collect();
                let rows = s.client.query(&sql.replace('?', "$"), &params)?;
                rows.iter().map(unpack).collect()
            }
        }
    }

    /// Asks for at most one row.
    ///
    /// # Errors
    /// What the database says.
    pub fn one(&mut self, sql: &str, params: &[Val]) -> Result<Option<Row>, StoreError> {
        Ok(self.query(sql, params)?.into_iter().next())
    }

    /// Changes rows and says how many.
    ///
    /// # Errors
    /// What the database says.
    pub fn execute(&mut self, sql: &str, params: &[Val]) -> Result<u64, StoreError> {
        match self {
            Conn::Lite(lite) => {
                let done = lite.db.prepare_cached(sql).and_then(|mut s| s.execute(rusqlite::params_from_iter(params)));
                lite.notice(done).map(|n| n as u64)
            }
            Conn::Server(s) => {
                let statement = s.prepared(sql)?;
                let params: Vec<&(dyn ToSql + Sync)> = params.iter().map(|p| p as _).collect();
                Ok(s.client.execute(&statement, &params)?)
            }
        }
    }

    /// Begins a transaction that writes.
    ///
    /// # Errors
    /// What the database says.
    pub fn begin(&mut self) -> Result<(), StoreError> {
        let sql = if self.is_server() { "begin" } else { "begin immediate" };
        self.batch(sql)
    }

    /// Begins a transaction that sees one moment of the store throughout.
    ///
    /// # Errors
    /// What the database says.
    pub fn begin_reading(&mut self) -> Result<(), StoreError> {
        let sql = if self.is_server() { "begin isolation level repeatable read" } else { "begin" };
        self.batch(sql)
    }
}

fn rows_of(db: &rusqlite::Connection, sql: &str, params: &[Val]) -> Result<Vec<Row>, rusqlite::Error> {
    let mut statement = db.prepare_cached(sql)?;
    let columns = statement.column_count();
    let mut rows = statement.query(rusqlite::params_from_iter(params))?;
    let mut all = Vec::new();
    while let Some(row) = rows.next()? {
        let mut out = Vec::with_capacity(columns);
        for i in 0..columns {
            out.push(match row.get_ref(i)? {
                ValueRef::Null | ValueRef::Real(_) => Val::Null,
                ValueRef::Integer(n) => Val::Int(n),
                ValueRef::Text(t) => Val::Text(String::from_utf8_lossy(t).into_owned()),
                ValueRef::Blob(b) => Val::Blob(b.to_vec()),
            });
        }
        all.push(Row(out));
    }
    Ok(all)
}

impl Server {
    fn prepared(&mut self, sql: &str) -> Result<postgres::Statement, StoreError> {
        if let Some(found) = self.prepared.get(sql) {
            return Ok(found.clone());
        }
        let statement = self.client.prepare(&sql.replace('?', "$"))?;
        // Searches make statements of many shapes; they are not all kept.
        if self.prepared.len() < 200 {
            self.prepared.insert(sql.into(), statement.clone());
        }
        Ok(statement)
    }
}

fn unpack(row: &postgres::Row) -> Result<Row, StoreError> {
    let mut out = Vec::with_capacity(row.len());
    for (i, column) in row.columns().iter().enumerate() {
        let ty = column.type_();
        out.push(match *ty {
            Type::INT8 => row.try_get::<_, Option<i64>>(i)?.into(),
            Type::INT4 => row.try_get::<_, Option<i32>>(i)?.map(i64::from).into(),
            Type::BOOL => row.try_get::<_, Option<bool>>(i)?.map(i64::from).into(),
            Type::BYTEA => row.try_get::<_, Option<Vec<u8>>>(i)?.into(),
            _ => row.try_get::<_, Option<String>>(i)?.into(),
        });
    }
    Ok(Row(out))
}

/// Opens connections for the pool.
pub struct Opener {
    /// Where.
    pub place: Place,
}

impl r2d2::ManageConnection for Opener {
    type Connection = Conn;
    type Error = StoreError;

    fn connect(&self) -> Result<Conn, StoreError> {
        Conn::open(&self.place, true)
    }

    fn is_valid(&self, conn: &mut Conn) -> Result<(), StoreError> {
        conn.query("select 1", &[]).map(|_| ())
    }

    fn has_broken(&self, conn: &mut Conn) -> bool {
        conn.is_lost()
    }
}
