//! One table of routes. It says of each what it does, who may use it and whose record it is about, what it takes and gives; the server,
//! the checks of who may what, and the OpenAPI description are all made from it, so that none of them can say something else.

use std::cell::RefCell;
use std::collections::{BTreeMap, BTreeSet};

use axum::body::Bytes;
use fangwright_clinic::accounts::{Account, Act, Reach, Role, reach};
use fangwright_clinic::audit::Deed;
use fangwright_clinic::record;
use fangwright_clinic::{ClinicError, Conn, Store, StoreError, Tx};
use jiff::Timestamp;
use schemars::generate::SchemaGenerator;
use schemars::{JsonSchema, Schema};
use serde::Serialize;
use serde::de::DeserializeOwned;

use crate::Service;
use crate::problem::Problem;

/// An HTTP method that routes use.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Method {
    /// Reads.
    Get,
    /// Makes something.
    Post,
    /// Puts a further version in place.
    Put,
    /// Takes something away.
    Delete,
}

impl Method {
    /// As it stands in a request.
    pub fn word(self) -> &'static str {
        match self {
            Method::Get => "GET",
            Method::Post => "POST",
            Method::Put => "PUT",
            Method::Delete => "DELETE",
        }
    }
}

/// Whose record a route is about.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum About {
    /// Nobody's.
    Nobody,
    /// That of the person in the path.
    Person,
    /// That of the person whose record of this kind is in the path.
    Record(&'static str),
}

/// What a body holds.
pub enum Content {
    /// Nothing.
    Nothing,
    /// JSON of a shape.
    Json(fn(&mut SchemaGenerator) -> Schema),
    /// Bytes of these media types.
    Bytes(&'static [&'static str]),
}

/// A word in the query of an address.
pub struct Asked {
    /// Its name.
    pub name: &'static str,
    /// What it is.
    pub what: &'static str,
    /// Whether it has to be there.
    pub needed: bool,
    /// Its shape.
    pub schema: fn(&mut SchemaGenerator) -> Schema,
}

/// What a route answers with.
pub struct Reply {
    /// HTTP status.
    pub status: u16,
    /// Media type.
    pub media: String,
    /// The body.
    pub body: Vec<u8>,
}

impl Reply {
    /// JSON.
    pub fn json(status: u16, value: &impl Serialize) -> Result<Reply, Problem> {
        let body = serde_json::to_vec(value).map_err(|e| Problem::new(500, "not-written", e.to_string()))?;
        Ok(Reply { status, media: "application/json".into(), body })
    }

    /// Nothing.
    pub fn nothing() -> Reply {
        Reply { status: 204, media: String::new(), body: Vec::new() }
    }

    /// Bytes.
    pub fn bytes(media: impl Into<String>, body: Vec<u8>) -> Reply {
        Reply { status: 200, media: media.into(), body }
    }
}

/// One request as a route sees it.
pub struct Call<'a> {
    /// The service.
    pub service: &'a Service,
    /// Who asks; nobody only where nobody is asked for.
    pub account: Option<&'a Account>,
    /// The token of the session.
    pub token: &'a str,
    /// Where the request comes from.
    pub from: &'a str,
    /// Parts of the path.
    pub path: &'a BTreeMap<String, String>,
    /// Words of the query.
    pub query: &'a BTreeMap<String, String>,
    /// The body.
    pub body: Bytes,
    /// Media type of the body.
    pub media: &'a str,
    /// Whose record it is about; empty where it is nobody's.
    pub person: String,
    /// Whose records an answer over many people shows something of: it is written into the chain of each.
    pub seen: RefCell<BTreeSet<String>>,
}

impl Call<'_> {
    /// Says that something of these people is shown.
    pub fn shows<'p>(&self, people: impl IntoIterator<Item = &'p String>) {
        self.seen.borrow_mut().extend(people.into_iter().cloned());
    }

    /// The store.
    pub fn store(&self) -> &Store {
        &self.service.store
    }

    /// Id of the account.
    pub fn who(&self) -> String {
        self.account.map_or(String::new(), |a| a.id.clone())
    }

    /// Role of the account.
    pub fn role(&self) -> Option<Role> {
        self.account.map(|a| a.role)
    }

    /// A part of the path.
    pub fn part(&self, name: &str) -> String {
        self.path.get(name).cloned().unwrap_or_default()
    }

    /// A word of the query.
    pub fn asked(&self, name: &str) -> Option<&str> {
        self.query.get(name).map(String::as_str)
    }

    /// A day of the query; today where nothing is said.
    ///
    /// # Errors
    /// If it is no day.
    pub fn day(&self, name: &str) -> Result<jiff::civil::Date, Problem> {
        match self.asked(name) {
            None => Ok(record::today()),
            Some(text) => text
                .parse()
                .map_err(|_| Problem::bad(format!("`{name}` is `{text}`, which is no day; write it as 2026-11-25"))),
        }
    }

    /// The body.
    ///
    /// # Errors
    /// If it is not JSON of this shape; the place is said.
    pub fn take<T: DeserializeOwned>(&self) -> Result<T, Problem> {
        serde_json::from_slice(&self.body)
            .map_err(|e| Problem::bad(format!("the body is not as described: {e}; see the OpenAPI description")))
    }

    /// Reads from the store.
    ///
    /// # Errors
    /// What the work says.
    pub fn read<T>(&self, work: impl FnOnce(&mut Conn) -> Result<T, ClinicError>) -> Result<T, Problem> {
        self.store().read(work).map_err(Problem::from)
    }

    /// Writes to the store.
    ///
    /// # Errors
    /// What the work says.
    pub fn write<T: Send + 'static>(
        &self,
        work: impl FnOnce(&mut Tx<'_>) -> Result<T, ClinicError> + Send + 'static,
    ) -> Result<T, Problem> {
        self.store().write(work).map_err(Problem::from)
    }
}

/// An answer over more people than this stands in the chain once, with their number, and not at each of them.
const EACH: usize = 200;

type Run = Box<dyn Fn(&Call<'_>) -> Result<Reply, Problem> + Send + Sync>;

/// One route.
pub struct Route {
    /// Method.
    pub method: Method,
    /// Path, with parts in braces.
    pub path: &'static str,
    /// A stable word for it.
    pub id: &'static str,
    /// What it does.
    pub what: &'static str,
    /// What one has to be allowed to do; nothing where even who is not logged in may use it.
    pub act: Option<Act>,
    /// Whose record it is about.
    pub about: About,
    /// Words of the query.
    pub query: Vec<Asked>,
    /// The body it takes.
    pub takes: Content,
    /// Status and body of a good answer.
    pub gives: (u16, Content),
    /// Whether using it is written into the chain as reading; what writes, writes its own links.
    pub reads: bool,
    pub(crate) run: Run,
}

fn shape<T: JsonSchema>(generator: &mut SchemaGenerator) -> Schema {
    generator.subschema_for::<T>()
}

impl Route {
    /// A route for whoever may do `act`.
    pub fn new(
        method: Method,
        path: &'static str,
        id: &'static str,
        what: &'static str,
        act: Act,
        run: impl Fn(&Call<'_>) -> Result<Reply, Problem> + Send + Sync + 'static,
    ) -> Route {
        Route {
            method,
            path,
            id,
            what,
            act: Some(act),
            about: if path.contains("{person}") { About::Person } else { About::Nobody },
            query: Vec::new(),
            takes: Content::Nothing,
            gives: (204, Content::Nothing),
            reads: false,
            run: Box::new(run),
        }
    }

    /// For everybody, logged in or not.
    pub fn open(self) -> Route {
        Route { act: None, ..self }
    }

    /// About the record of this kind in the path.
    pub fn of(self, kind: &'static str) -> Route {
        Route { about: About::Record(kind), ..self }
    }

    /// Takes JSON of a shape.
    pub fn takes<T: JsonSchema>(self) -> Route {
        Route { takes: Content::Json(shape::<T>), ..self }
    }

    /// Takes bytes.
    pub fn takes_bytes(self, media: &'static [&'static str]) -> Route {
        Route { takes: Content::Bytes(media), ..self }
    }

    /// Gives JSON of a shape.
    pub fn gives<T: JsonSchema>(self, status: u16) -> Route {
        Route { gives: (status, Content::Json(shape::<T>)), ..self }
    }

    /// Gives bytes.
    pub fn gives_bytes(self, media: &'static [&'static str]) -> Route {
        Route { gives: (200, Content::Bytes(media)), ..self }
    }

    /// Using it is reading a person's record.
    pub fn reads(self) -> Route {
        Route { reads: true, ..self }
    }

    /// Asks for a word in the query.
    pub fn asks<T: JsonSchema>(mut self, name: &'static str, what: &'static str, needed: bool) -> Route {
        self.query.push(Asked { name, what, needed, schema: shape::<T> });
        self
    }

    /// Names of the parts of the path.
    pub fn parts(&self) -> Vec<&'static str> {
        self.path.split('/').filter_map(|p| p.strip_prefix('{')?.strip_suffix('}')).collect()
    }

    /// How far a role reaches with it.
    pub fn reach(&self, role: Role) -> Reach {
        self.act.map_or(Reach::All, |act| reach(role, act))
    }

    /// Lets the request through, or not: who asks, whether their role may, and whether the person is in their care. Then does it, and
    /// writes down that somebody's record was read.
    pub(crate) fn answer(&self, mut call: Call<'_>) -> Result<Reply, Problem> {
        let Some(act) = self.act else { return (self.run)(&call) };
        let Some(account) = call.account else {
            return Err(Problem::new(
                401,
                "log-in",
                "log in first: POST /session gives a token; send it as `Authorization: Bearer TOKEN`",
            ));
        };
        let far = reach(account.role, act);
        if far == Reach::No {
            let about = [self.id, call.path.values().next().map_or("", String::as_str)].join(" ");
            call.store().note(Deed::new(Timestamp::now(), &account.id, "was refused", about.trim()))?;
            return Err(Problem::new(403, "not-allowed", format!("this is not for a {}", account.role.word())));
        }
        let id = match self.about {
            About::Nobody => String::new(),
            About::Person => call.part("person"),
            About::Record(_) => call.part("id"),
        };
        if self.about != About::Nobody {
            let kind = if let About::Record(kind) = self.about { kind } else { "person" };
            let found: Option<(String, String)> = call.store().read(|db| record::whose(db, &id))?;
            let Some((_, person)) = found.filter(|(k, _)| k == kind) else {
                let erased = call.store().read(|db| -> Result<_, StoreError> {
                    db.one("select 1 from erased where person = ?1", &[(&id).into()])
                })?;
                if erased.is_some() {
                    return Err(Problem::new(410, "erased", "the record was erased"));
                }
                return Err(Problem::not_found(kind, &id));
            };
            let erased = call.store().read(|db| -> Result<_, StoreError> {
                db.one("select at from erased where person = ?1", &[(&person).into()])
            })?;
            if let Some(mut row) = erased {
                return Err(Problem::new(410, "erased", format!("the record was erased on {}", row.text(0))));
            }
            if far == Reach::Own && !call.store().read(|db| record::cares(db, &account.id, &person))? {
                let deed = Deed::new(Timestamp::now(), &account.id, "was refused", format!("{} {kind} {id}", self.id));
                call.store().note(deed.of(&person))?;
                let detail =
                    "this person is not in your care; POST /people/{person}/care with a reason takes them into it";
                return Err(Problem::new(403, "not-in-care", detail));
            }
            call.person = person;
        }
        let reply = (self.run)(&call)?;
        if self.reads {
            // What is looked for may be a name: it is nobody's to read in the chain.
            let words = call.query.iter().filter(|(k, _)| k.as_str() != "q");
            let words: Vec<String> =
                words.map(|(k, v)| format!("{k}={}", v.chars().take(80).collect::<String>())).collect();
            let about: Vec<String> =
                [self.id.to_string(), id, words.join(" ")].into_iter().filter(|w| !w.is_empty()).collect();
            let mut people = call.seen.take();
            let mut about = about.join(" ");
            if people.len() > EACH {
                about = format!("{about} ({} people)", people.len());
                people.clear();
            }
            if people.is_empty() || !call.person.is_empty() {
                people.insert(call.person.clone());
            }
            let who = account.id.clone();
            call.write(move |tx| {
                for person in people {
                    let deed = Deed::new(tx.now(), &who, "read", about.clone()).of(&person);
                    tx.note(deed);
                }
                Ok(())
            })?;
        }
        Ok(reply)
    }
}
