//! The clinic's record over HTTP.
//!
//! [`routes::table`] is the one table of what can be asked; [`router`] serves it, [`openapi::description`] describes it. Work on the store
//! runs on threads of its own, so that a slow disk holds up nobody's reading. Who sends no token gets nothing but the way in.

#![warn(missing_docs)]

pub mod openapi;
mod paper;
pub mod problem;
pub mod route;
pub mod routes;

use std::collections::BTreeMap;
use std::net::SocketAddr;
use std::sync::{Arc, OnceLock};
use std::time::Duration;

use axum::Router;
use axum::body::{Body, Bytes, to_bytes};
use axum::extract::{ConnectInfo, Request};
use axum::http::{HeaderValue, Response, StatusCode, header};
use axum::routing::any;
use fangwright_clinic::Store;
use fangwright_clinic::accounts;
use fangwright_clinic::erase::Law;
use fangwright_clinic::research::Vocabulary;
use fangwright_dispense::Pricing;
use fangwright_print::{Clinic, Press};
use serde::{Deserialize, Serialize};
use tokio::sync::Semaphore;

pub use paper::record_pdf;
use problem::Problem;
use route::{Call, Content, Method, Reply, Route};

/// How a clinic wants it.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Settings {
    /// Name, address and telephone.
    pub clinic: Clinic,
    /// Whose law holds: ids of jurisdictions, as in `data/safety/`.
    pub laws: Vec<String>,
    /// For how many years the law keeps prescriptions and what was handed out; absent where nobody has said so yet, and then nothing is
    /// erased.
    pub law_keeps_years: Option<u8>,
    /// How the clinic prices.
    pub pricing: Option<Pricing>,
    /// Language of printed records: en, zh or zh-hant.
    pub language: Option<String>,
    /// Whether a proxy on the same machine says where requests come from (`X-Forwarded-For`, its last word).
    pub behind_proxy: bool,
}

impl Settings {
    /// What the law keeps.
    pub fn law(&self) -> Option<Law> {
        self.law_keeps_years.map(|years| Law { years })
    }
}

/// What serves.
pub struct Service {
    /// The record.
    pub store: Store,
    /// How the clinic wants it.
    pub settings: Settings,
    press: OnceLock<Press>,
    vocabulary: OnceLock<Vocabulary>,
    /// Cases without names get numbers from this; it differs from one start to the next.
    practice_key: [u8; 32],
    /// Passwords are hashed a few at a time: each costs 19 MiB.
    hashing: Semaphore,
    long: Semaphore,
}

impl Service {
    /// A service over a store.
    pub fn new(store: Store, settings: Settings) -> Service {
        let mut practice_key = [0; 32];
        // Without random bytes no token can be made either, and nobody gets in.
        let _ = getrandom::fill(&mut practice_key);
        Service {
            store,
            settings,
            press: OnceLock::new(),
            vocabulary: OnceLock::new(),
            practice_key,
            hashing: Semaphore::new(2),
            long: Semaphore::new(1),
        }
    }

    /// The press for printed records.
    pub fn press(&self) -> &Press {
        self.press.get_or_init(Press::default)
    }

    /// Every word that may stand in a case without names.
    pub fn vocabulary(&self) -> &Vocabulary {
        self.vocabulary.get_or_init(|| Vocabulary::of(self.store.lore().materia()))
    }

    /// The key of this run's cases without names.
    pub fn practice_key(&self) -> &[u8; 32] {
        &self.practice_key
    }
}

/// No JSON of ours is longer.
const MOST_JSON: usize = 1 << 20;
/// No picture or paper is larger.
const MOST_BYTES: usize = 25 << 20;
/// A request that took so long to arrive is not waited for.
const PATIENCE: Duration = Duration::from_secs(60);

fn respond(reply: Result<Reply, Problem>) -> Response<Body> {
    let (status, media, body, wait) = match reply {
        Ok(r) => (r.status, r.media, r.body, None),
        Err(p) => {
            let body = serde_json::to_vec(&p).unwrap_or_default();
            (p.status, "application/problem+json".to_string(), body, Some(p))
        }
    };
    let mut response = Response::new(Body::from(body));
    *response.status_mut() = StatusCode::from_u16(status).unwrap_or(StatusCode::INTERNAL_SERVER_ERROR);
    let headers = response.headers_mut();
    if !media.is_empty()
        && let Ok(value) = HeaderValue::from_str(&media)
    {
        headers.insert(header::CONTENT_TYPE, value);
    }
    // What is in a record stays nowhere on the way.
    headers.insert(header::CACHE_CONTROL, HeaderValue::from_static("no-store"));
    headers.insert(header::X_CONTENT_TYPE_OPTIONS, HeaderValue::from_static("nosniff"));
    headers.insert(header::CONTENT_SECURITY_POLICY, HeaderValue::from_static("default-src 'none'; sandbox"));
    if status == 401 {
        headers.insert(header::WWW_AUTHENTICATE, HeaderValue::from_static("Bearer"));
    }
    if let Some(seconds) = wait.as_ref().and_then(|p| p.wait) {
        headers.insert(header::RETRY_AFTER, HeaderValue::from(seconds));
    }
    if let Some(allowed) = wait.map(|p| p.allow).filter(|a| !a.is_empty())
        && let Ok(value) = HeaderValue::from_str(&allowed.join(", "))
    {
        headers.insert(header::ALLOW, value);
    }
    response
}

/// The words of a query; an error where it is not percent-encoded UTF-8 or names a word twice.
fn words(query: &str) -> Result<BTreeMap<String, String>, Problem> {
    let mut all = BTreeMap::new();
    for pair in query.split('&').filter(|p| !p.is_empty()) {
        let (name, value) = pair.split_once('=').unwrap_or((pair, ""));
        let decoded = |text: &str| {
            decode(&text.replace('+', " "))
                .filter(|t| !t.contains('\0'))
                .ok_or_else(|| Problem::bad(format!("the query has `{text}`, which is no percent-encoded text")))
        };
        if all.insert(decoded(name)?, decoded(value)?).is_some() {
            return Err(Problem::bad(format!("the query has `{name}` twice")));
        }
    }
    Ok(all)
}

fn decode(text: &str) -> Option<String> {
    let bytes = text.as_bytes();
    let mut out = Vec::with_capacity(bytes.len());
    let mut i = 0;
    while i < bytes.len() {
        if bytes[i] == b'%' {
            let hex = bytes.get(i + 1..i + 3).and_then(|h| std::str::from_utf8(h).ok())?;
            out.push(u8::from_str_radix(hex, 16).ok()?);
            i += 3;
        } else {
            out.push(bytes[i]);
            i += 1;
        }
    }
    String::from_utf8(out).ok()
}

/// The parts of a path, if it is one of this route.
fn parts(route: &Route, path: &str) -> Option<BTreeMap<String, String>> {
    let (mut wanted, mut given) = (route.path.split('/'), path.split('/'));
    let mut all = BTreeMap::new();
    loop {
        match (wanted.next(), given.next()) {
            (None, None) => return Some(all),
            (Some(w), Some(g)) => match w.strip_prefix('{').and_then(|w| w.strip_suffix('}')) {
                Some(name) if !g.is_empty() => {
                    all.insert(name.to_string(), decode(g).filter(|t| !t.contains('\0'))?);
                }
                None if w == g => {}
                _ => return None,
            },
            _ => return None,
        }
    }
}

fn token_of(request: &Request) -> String {
    let value = request.headers().get(header::AUTHORIZATION).and_then(|v| v.to_str().ok()).unwrap_or_default();
    match value.split_once(' ') {
        Some((scheme, token)) if scheme.eq_ignore_ascii_case("bearer") => token.trim().to_string(),
        _ => String::new(),
    }
}

struct Shared {
    service: Service,
    routes: Vec<Route>,
    description: Vec<u8>,
}

async fn handle(shared: Arc<Shared>, request: Request) -> Response<Body> {
    respond(answer(shared, request).await)
}

async fn answer(shared: Arc<Shared>, request: Request) -> Result<Reply, Problem> {
    let path = request.uri().path().to_string();
    let here: Vec<(usize, BTreeMap<String, String>)> =
        shared.routes.iter().enumerate().filter_map(|(i, r)| Some((i, parts(r, &path)?))).collect();
    let token = token_of(&request);
    // Who is not logged in does not even learn what there is.
    let way_in = here.iter().any(|(i, _)| shared.routes[*i].act.is_none());
    let (shared2, token2) = (shared.clone(), token.clone());
    let account = if token.is_empty() {
        None
    } else {
        blocking(move || accounts::of_session(&shared2.service.store, &token2).map_err(Problem::from)).await?
    };
    if account.is_none() && !way_in {
        let detail = "log in first: POST /session gives a token; send it as `Authorization: Bearer TOKEN`";
        return Err(Problem::new(401, "log-in", detail));
    }
    if here.is_empty() {
        return Err(Problem::new(
            404,
            "no-such-address",
            format!("there is nothing at `{path}`; GET /openapi.json says what there is"),
        ));
    }
    let method = request.method().as_str().to_string();
    let allow: Vec<&'static str> = here.iter().map(|(i, _)| shared.routes[*i].method.word()).collect();
    let found = here.into_iter().find(|(i, _)| shared.routes[*i].method.word() == method);
    let Some((index, path)) = found else {
        return Err(Problem {
            allow,
            ..Problem::new(405, "no-such-method", format!("{method} is not for this address"))
        });
    };
    if account.is_none() && shared.routes[index].act.is_some() {
        return Err(Problem::new(401, "log-in", "log in first: POST /session gives a token"));
    }
    let query = words(request.uri().query().unwrap_or_default())?;
    check_query(&shared.routes[index], &query)?;
    let peer = request.extensions().get::<ConnectInfo<SocketAddr>>().map(|c| c.0.ip());
    // Behind a proxy on the same machine everybody would be one address.
    let told =
        request.headers().get("x-forwarded-for").and_then(|v| v.to_str().ok()).and_then(|v| v.rsplit(',').next());
    let from = match (peer, told) {
        (Some(ip), Some(told)) if shared.service.settings.behind_proxy && ip.is_loopback() => {
            told.trim().chars().take(60).collect()
        }
        (Some(ip), _) => ip.to_string(),
        (None, _) => "unknown".to_string(),
    };
    let media = request
        .headers()
        .get(header::CONTENT_TYPE)
        .and_then(|v| v.to_str().ok())
        .map(|m| m.split(';').next().unwrap_or_default().trim().to_lowercase())
        .unwrap_or_default();
    let body = take_body(&shared.routes[index], &media, request.into_body()).await?;
    let costly = matches!(shared.routes[index].id, "log-in" | "change-password");
    // So are long looks over everything, one at a time: each may hold large pictures.
    let long = matches!(shared.routes[index].id, "verify" | "print-record");
    let permit = match (costly, long) {
        (true, _) => shared.service.hashing.acquire().await.ok(),
        (_, true) => shared.service.long.acquire().await.ok(),
        _ => None,
    };
    if shared.routes[index].id == "openapi" {
        return Ok(Reply::bytes("application/json", shared.description.clone()));
    }
    let shared2 = shared.clone();
    let reply = blocking(move || {
        let call = Call {
            service: &shared2.service,
            account: account.as_ref(),
            token: &token,
            from: &from,
            path: &path,
            query: &query,
            body,
            media: &media,
            person: String::new(),
            seen: std::cell::RefCell::default(),
        };
        shared2.routes[index].answer(call)
    })
    .await;
    drop(permit);
    reply
}

fn check_query(route: &Route, query: &BTreeMap<String, String>) -> Result<(), Problem> {
    if let Some(unknown) = query.keys().find(|k| !route.query.iter().any(|a| a.name == k.as_str())) {
        let known: Vec<&str> = route.query.iter().map(|a| a.name).collect();
        let known = if known.is_empty() { "none".into() } else { known.join(", ") };
        return Err(Problem::bad(format!("the query has `{unknown}`; the words of this address are: {known}")));
    }
    if let Some(missing) = route.query.iter().find(|a| a.needed && !query.contains_key(a.name)) {
        return Err(Problem::bad(format!("the query lacks `{}`: {}", missing.name, missing.what)));
    }
    Ok(())
}

async fn take_body(route: &Route, media: &str, body: Body) -> Result<Bytes, Problem> {
    let most = match &route.takes {
        Content::Nothing => return Ok(Bytes::new()),
        Content::Json(_) => {
            if media != "application/json" {
                return Err(Problem::new(415, "media-type", "send JSON, as `Content-Type: application/json`"));
            }
            MOST_JSON
        }
        Content::Bytes(known) => {
            if !known.contains(&media) {
                return Err(Problem::new(415, "media-type", format!("send one of {}", known.join(", "))));
            }
            MOST_BYTES
        }
    };
    match tokio::time::timeout(PATIENCE, to_bytes(body, most)).await {
        Ok(Ok(bytes)) => Ok(bytes),
        Ok(Err(_)) => {
            Err(Problem::new(413, "too-large", format!("the body is longer than {most} bytes, or was cut off")))
        }
        Err(_) => Err(Problem::new(408, "too-slow", "the body did not arrive in time")),
    }
}

async fn blocking<T: Send + 'static>(work: impl FnOnce() -> Result<T, Problem> + Send + 'static) -> Result<T, Problem> {
    match tokio::task::spawn_blocking(work).await {
        Ok(done) => done,
        // The work panicked: nothing of it was kept.
        Err(_) => Err(Problem::new(500, "failed", "the work failed midway, and nothing of it was kept")),
    }
}

/// Serves the record.
pub fn router(service: Service) -> Router {
    let routes = routes::table();
    let description = serde_json::to_vec_pretty(&openapi::description(&routes)).unwrap_or_default();
    let shared = Arc::new(Shared { service, routes, description });
    let all = move |request: Request| handle(shared.clone(), request);
    Router::new().route("/{*path}", any(all.clone())).route("/", any(all))
}

/// Serves until told to stop; what is being answered is answered first.
///
/// # Errors
/// If the address cannot be served on.
pub fn serve(
    service: Service,
    listener: std::net::TcpListener,
    stop: impl Future<Output = ()> + Send + 'static,
) -> std::io::Result<()> {
    listener.set_nonblocking(true)?;
    let runtime = tokio::runtime::Builder::new_multi_thread()
        .worker_threads(2)
        // Most of the time they wait for the disk; more of them would only cost memory.
        .max_blocking_threads(48)
        .thread_stack_size(1 << 20)
        .enable_all()
        .build()?;
    // The last hold on the store is let go of outside the runtime: closing a connection to a server waits for it.
    let store = service.store.clone();
    let served = runtime.block_on(async move {
        let listener = tokio::net::TcpListener::from_std(listener)?;
        let app = router(service).into_make_service_with_connect_info::<SocketAddr>();
        axum::serve(listener, app).with_graceful_shutdown(stop).await
    });
    drop(runtime);
    drop(store);
    served
}

/// The description of the service, as JSON.
pub fn openapi_json() -> String {
    serde_json::to_string_pretty(&openapi::description(&routes::table())).unwrap_or_default()
}

/// Ends when the program is told to (Ctrl-C, or SIGTERM).
pub async fn told_to_stop() {
    let interrupted = tokio::signal::ctrl_c();
    #[cfg(unix)]
    {
        let terminated = async {
            match tokio::signal::unix::signal(tokio::signal::unix::SignalKind::terminate()) {
                Ok(mut signal) => {
                    signal.recv().await;
                }
                Err(_) => std::future::pending().await,
            }
        };
        tokio::select! { _ = interrupted => {}, () = terminated => {} }
    }
    #[cfg(not(unix))]
    {
        let _ = interrupted.await;
    }
}

/// A method, for whoever walks along the table.
pub fn method_word(method: Method) -> &'static str {
    method.word()
}
