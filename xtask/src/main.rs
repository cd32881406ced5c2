//! Chores: `cargo xtask test`, `cargo xtask bench`, `cargo xtask json-shapes`, `cargo xtask fuzz SECONDS`.

use std::env;
use std::error::Error;
use std::fs::{self, File};
use std::path::{Path, PathBuf};
use std::process::{Command, ExitCode, Stdio};

type Result<T = ()> = std::result::Result<T, Box<dyn Error>>;

fn main() -> ExitCode {
    let task = env::args().nth(1).unwrap_or_default();
    let done = match task.as_str() {
        "test" => test(),
        "bench" => bench(),
        "json-shapes" => json_shapes(),
        "licences" => licences(),
        "fuzz" => fuzz(env::args().nth(2).as_deref().unwrap_or("60")),
        _ => {
            eprintln!(
                "cargo xtask test         every check; installs what it needs\n\
                 cargo xtask bench        the speed benches, each against a peer\n\
                 cargo xtask json-shapes  writes docs/json/ from the code\n\
                 cargo xtask licences     checks the licences of all dependencies (installs cargo-deny)\n\
                 cargo xtask fuzz SECONDS runs the fuzz target of the reader (installs cargo-fuzz)"
            );
            return ExitCode::from(2);
        }
    };
    match done {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) => {
            eprintln!("xtask {task}: {error}");
            ExitCode::FAILURE
        }
    }
}

fn root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("..")
}

fn cargo() -> Command {
    let mut c = Command::new(env::var_os("CARGO").unwrap_or_else(|| "cargo".into()));
    c.current_dir(root());
    c
}

fn target() -> PathBuf {
    env::var_os("CARGO_TARGET_DIR").map_or_else(|| root().join("target"), PathBuf::from)
}

fn run(command: &mut Command) -> Result {
    eprintln!("· {command:?}");
    let status = command.status().map_err(|e| format!("{command:?} cannot be started: {e}"))?;
    if status.success() { Ok(()) } else { Err(format!("{command:?} failed ({status})").into()) }
}

/// A PostgreSQL server of our own, from Debian's packages, on a free port; it is stopped and taken away at the end.
struct Postgres {
    folder: PathBuf,
    bin: PathBuf,
    port: u16,
}

/// PostgreSQL does not run as root; where we are root, its own account runs it.
fn as_postgres(program: &Path) -> Command {
    let root = Command::new("id").arg("-u").output().is_ok_and(|o| o.stdout.starts_with(b"0\n"));
    if root {
        let mut c = Command::new("runuser");
        c.args(["-u", "postgres", "--"]).arg(program);
        c
    } else {
        Command::new(program)
    }
}

impl Postgres {
    fn start() -> Result<Postgres> {
        let bin = match postgres_bin() {
            Some(bin) => bin,
            None => {
                run(Command::new("apt-get").args(["update", "-q"]))?;
                run(Command::new("apt-get").args(["install", "-y", "-q", "--no-install-recommends", "postgresql"]))?;
                postgres_bin().ok_or("the package postgresql brought no /usr/lib/postgresql/*/bin/initdb")?
            }
        };
        // Not below the target folder: the account that runs it may not be let in there.
        let folder = env::temp_dir().join(format!("fangwright-postgres-{}", std::process::id()));
        fs::create_dir_all(&folder)?;
        let port = std::net::TcpListener::bind("127.0.0.1:0")?.local_addr()?.port();
        let server = Postgres { folder, bin, port };
        if Command::new("chown").arg("postgres").arg(&server.folder).stderr(Stdio::null()).status()?.success() {
            eprintln!("· PostgreSQL runs as the account postgres");
        }
        run(as_postgres(&server.bin.join("initdb"))
            .args(["-A", "trust", "-U", "clinic", "-E", "UTF8", "--no-sync", "-D"])
            .arg(server.data())
            .current_dir("/")
            .stdout(Stdio::null()))?;
        server.certificate()?;
        run(server
            .control()
            .args(["-w", "-l"])
            .arg(server.folder.join("log"))
            .arg("-o")
            .arg(server.options())
            .arg("start")
            .stdout(Stdio::null()))?;
        Ok(server)
    }

    fn data(&self) -> PathBuf {
        self.folder.join("data")
    }

    fn options(&self) -> String {
        format!("-p {} -k {} -c listen_addresses=127.0.0.1 -c ssl=on", self.port, self.folder.display())
    }

    /// A certificate of the server's own, so that the way with TLS is tried as well.
    fn certificate(&self) -> Result {
        let mut c = as_postgres(Path::new("openssl"));
        c.args(["req", "-new", "-x509", "-days", "2", "-nodes", "-subj", "/CN=localhost"])
            .args([
                "-addext",
                "subjectAltName=DNS:localhost,IP:127.0.0.1",
                "-addext",
                "basicConstraints=critical,CA:FALSE",
            ])
            .arg("-out")
            .arg(self.data().join("server.crt"))
            .arg("-keyout")
            .arg(self.data().join("server.key"))
            .current_dir("/")
            .stderr(Stdio::null());
        run(&mut c)
    }

    fn control(&self) -> Command {
        let mut c = as_postgres(&self.bin.join("pg_ctl"));
        c.arg("-D").arg(self.data()).current_dir("/");
        c
    }

    fn address(&self) -> String {
        format!("postgres://clinic@127.0.0.1:{}/postgres", self.port)
    }
}

impl Drop for Postgres {
    fn drop(&mut self) {
        let _ = self.control().args(["-m", "immediate", "stop"]).stdout(Stdio::null()).status();
        let _ = fs::remove_dir_all(&self.folder);
    }
}

fn postgres_bin() -> Option<PathBuf> {
    let mut all: Vec<PathBuf> =
        fs::read_dir("/usr/lib/postgresql").ok()?.flatten().map(|e| e.path().join("bin")).collect();
    all.retain(|bin| bin.join("initdb").is_file());
    all.sort();
    all.pop()
}

/// Everything: unit, property and documentation tests, facts from outside, the binary, other libraries.
fn test() -> Result {
    tools(&[
        ("qpdf", "qpdf"),
        ("pdftotext", "poppler-utils"),
        ("zbarimg", "zbar-tools"),
        ("age", "age"),
        ("openssl", "openssl"),
    ])?;
    let server = Postgres::start()?;
    run(cargo()
        .args(["test", "--workspace", "--exclude", "fangwright-benches", "--profile", "checked", "--no-fail-fast"])
        .env("FANGWRIGHT_BUILT", "1")
        .env("FANGWRIGHT_POSTGRES", server.address())
        .env("FANGWRIGHT_POSTGRES_CERTIFICATE", server.data().join("server.crt")))?;
    clinic(&server)?;
    shapes_are_current()?;
    let python = python()?;
    let against_binary = |script: &str| {
        run(Command::new(&python)
            .arg(root().join("tests/reference/python").join(script))
            .arg("--binary")
            .arg(target().join("checked/fangwright"))
            .current_dir(root()))
    };
    for (facts, script) in [
        ("edges", "family_networkx.py"),
        ("names", "names_opencc.py"),
        ("names", "names_pypinyin.py"),
        ("rounded", "rounding_apportionment.py"),
    ] {
        against(&python, facts, script)?;
    }
    against_binary("pages.py")?;
    // The optimum of changes by another solver.
    let models = facts(&["models", "100"], "facts-models.json")?;
    run(Command::new(&python).arg(root().join("tests/reference/python/modify_cpsat.py")).stdin(File::open(models)?))?;
    // The same rules written once more in SQL.
    run(Command::new(&python)
        .arg(root().join("benches/check_vs_duckdb.py"))
        .args(["--equality-only", "--n", "5000", "--binary"])
        .arg(target().join("checked/fangwright"))
        .current_dir(root()))?;
    println!("every check passed");
    Ok(())
}

/// The record: bundles read by another library, sealed files by another program, the service by a tester of services, crashes.
fn clinic(server: &Postgres) -> Result {
    let python = python()?;
    let script = |name: &str| {
        let mut c = Command::new(&python);
        c.arg(root().join("tests/reference/python").join(name)).current_dir(root());
        c
    };
    let work = target().join("clinic");
    let _ = fs::remove_dir_all(&work);
    fs::create_dir_all(&work)?;
    let work = work.canonicalize()?;
    let ignored = |words: &[&str]| -> Command {
        let mut c = cargo();
        c.args(["test", "--workspace", "--exclude", "fangwright-benches", "--profile", "checked", "-q"]);
        c.args(words)
            .args(["--", "--ignored"])
            .env("FANGWRIGHT_BUILT", "1")
            .env("FANGWRIGHT_POSTGRES", server.address());
        c
    };
    let bundle = work.join("bundle.json");
    run(ignored(&["--test", "fhir"]).env("FANGWRIGHT_BUNDLE", &bundle))?;
    run(script("fhir_resources.py").arg(&bundle))?;
    let tables = work.join("tables");
    run(ignored(&["--test", "research"]).env("RESEARCH_DIR", &tables).env("RESEARCH_PERSONS", "2000"))?;
    run(script("research.py").arg(&tables))?;
    run(ignored(&["--lib"]).arg("seal").env("AGE", "age"))?;
    run(script("service_schemathesis.py").arg("--binary").arg(target().join("checked/fangwright")))?;
    let crash = target().join("checked/clinic_crash");
    run(Command::new(&crash).args(["run"]).arg(work.join("crash.sqlite")).arg("25"))?;
    run(Command::new(&crash)
        .arg("run")
        .arg(server.address())
        .arg("25")
        .arg("--server-data")
        .arg(server.data())
        .arg("--server-bin")
        .arg(&server.bin)
        .arg("--server-port")
        .arg(server.port.to_string()))?;
    let disk = Command::new("sh").arg(root().join("tests/disk.sh")).arg(&crash).status()?;
    match disk.code() {
        Some(0) => Ok(()),
        Some(77) => {
            eprintln!("· NOT TESTED: a full and a read-only disk: this machine lets nobody mount one");
            Ok(())
        }
        _ => Err(format!("tests/disk.sh failed ({disk})").into()),
    }
}

/// What `facts` prints with these words, in a file below the target folder.
fn facts(words: &[&str], file: &str) -> Result<PathBuf> {
    let path = target().join(file);
    let status = Command::new(target().join("checked/facts")).args(words).stdout(File::create(&path)?).status()?;
    if status.success() { Ok(path) } else { Err(format!("facts {words:?} failed").into()) }
}

/// Gives what `facts` prints to a script that holds another library against it.
fn against(python: &Path, what: &str, script: &str) -> Result {
    let path = facts(&[what], &format!("facts-{what}.json"))?;
    run(Command::new(python).arg(root().join("tests/reference/python").join(script)).stdin(File::open(&path)?))
}

/// Installs by apt what is not there: (program, package).
fn tools(wanted: &[(&str, &str)]) -> Result {
    let has = |program: &str| {
        env::split_paths(&env::var_os("PATH").unwrap_or_default()).any(|folder| folder.join(program).is_file())
    };
    let missing: Vec<&str> = wanted.iter().filter(|(program, _)| !has(program)).map(|(_, package)| *package).collect();
    if missing.is_empty() {
        return Ok(());
    }
    run(Command::new("apt-get").args(["update", "-q"]))?;
    run(Command::new("apt-get").args(["install", "-y", "-q"]).args(missing))
}

/// A virtual environment with the libraries that checks and benches are held against.
fn python() -> Result<PathBuf> {
    let wanted = fs::read_to_string(root().join("tests/reference/python/requirements.txt"))?;
    let folder = target().join("python");
    let python = folder.join("bin/python");
    let stamp = folder.join("requirements.txt");
    if fs::read_to_string(&stamp).is_ok_and(|have| have == wanted) {
        return Ok(python);
    }
    if run(Command::new("python3").args(["-m", "venv"]).arg(&folder)).is_err() {
        // A bare Debian has no venv; its package brings it.
        run(Command::new("apt-get").args(["update", "-q"]))?;
        run(Command::new("apt-get").args(["install", "-y", "-q", "python3-venv"]))?;
        run(Command::new("python3").args(["-m", "venv"]).arg(&folder))?;
    }
    let requirements = root().join("tests/reference/python/requirements.txt");
    run(Command::new(&python).args(["-m", "pip", "install", "-q", "-r"]).arg(&requirements))?;
    fs::write(stamp, wanted)?;
    Ok(python)
}

fn bench() -> Result {
    let python = python()?;
    run(cargo().args(["build", "--release", "--workspace"]))?;
    run(cargo().args(["bench", "-p", "fangwright-benches"]))?;
    for script in
        ["names_vs_rapidfuzz.py", "trace_vs_python.py", "cold_start.py", "check_vs_duckdb.py", "pages_vs_reportlab.py"]
    {
        run(Command::new(&python).arg(root().join("benches").join(script)).current_dir(root()))?;
    }
    run(cargo().args(["build", "--profile", "checked", "-p", "fangwright-checks", "--bin", "facts"]))?;
    let models = facts(&["models", "500"], "facts-models-500.json")?;
    let script = root().join("tests/reference/python/modify_cpsat.py");
    run(Command::new(&python).arg(script).arg("--time").stdin(File::open(models)?))
}

/// What `fangwright schema` prints with these words after it.
fn schema(words: &[&str]) -> Result<String> {
    let output = Command::new(target().join("checked/fangwright"))
        .arg("schema")
        .args(words)
        .stderr(Stdio::inherit())
        .output()?;
    if !output.status.success() {
        return Err(format!("`fangwright schema {words:?}` failed").into());
    }
    Ok(String::from_utf8(output.stdout)?)
}

/// Every shape, by the command it belongs to.
fn shapes() -> Result<Vec<(String, String)>> {
    schema(&[])?.lines().map(|name| Ok((format!("{name}.schema.json"), schema(&[name])?))).collect()
}

fn json_shapes() -> Result {
    run(cargo().args(["build", "--profile", "checked", "-p", "fangwright"]))?;
    let folder = root().join("docs/json");
    fs::create_dir_all(&folder)?;
    for (file, shape) in shapes()? {
        fs::write(folder.join(file), shape)?;
    }
    Ok(())
}

fn shapes_are_current() -> Result {
    for (file, shape) in shapes()? {
        if fs::read_to_string(root().join("docs/json").join(&file)).unwrap_or_default() != shape {
            let what = format!("docs/json/{file} is not what the code prints; run `cargo xtask json-shapes`");
            return Err(what.into());
        }
    }
    Ok(())
}

fn licences() -> Result {
    if !cargo().args(["deny", "--version"]).stdout(Stdio::null()).stderr(Stdio::null()).status()?.success() {
        run(cargo().args(["install", "--locked", "cargo-deny"]))?;
    }
    run(cargo().args(["deny", "--workspace", "check", "licenses", "bans", "sources"]))
}

fn fuzz(seconds: &str) -> Result {
    if !cargo().args(["fuzz", "--version"]).stdout(Stdio::null()).stderr(Stdio::null()).status()?.success() {
        run(cargo().args(["install", "--locked", "cargo-fuzz"]))?;
    }
    fs::create_dir_all(root().join("fuzz/corpus/reader"))?;
    // Coverage works on the stable compiler when it is told to allow it; the sanitizers would need a nightly one.
    run(Command::new("cargo")
        .current_dir(root().join("fuzz"))
        .env("RUSTC_BOOTSTRAP", "1")
        .args(["fuzz", "run", "reader", "--sanitizer", "none", "corpus/reader", "seeds", "--"])
        .args(["-dict=reader.dict", "-max_len=600", "-rss_limit_mb=2048"])
        .arg(format!("-max_total_time={seconds}")))
}
