//! Sealing a stream, as for backups: the age format (<https://age-encryption.org/v1>), so that any other program that knows it can
//! open what is sealed here.

use std::fmt;
use std::io::{self, BufReader, Chain, Cursor, Read, Write};

pub use age::secrecy::ExposeSecret;
use age::secrecy::SecretString;
use age::stream::{StreamReader, StreamWriter};
use age::{DecryptError, Decryptor, EncryptError, Encryptor, scrypt, x25519};

/// What every sealed stream starts with.
pub const MAGIC: &[u8] = b"age-encryption.org/v1\n";

/// scrypt with N = 2^18 for a passphrase, which takes 256 MiB of memory.
const WORK: u8 = 18;
/// The most work a stream may ask for: sixteen times as much, and 4 GiB.
const MOST_WORK: u8 = 22;

/// How a stream is sealed.
#[derive(Debug, Clone)]
pub enum Lock {
    /// With a passphrase; it opens with the same one.
    Passphrase(SecretString),
    /// For these recipients (`age1…`); each opens it with the identity that belongs to it.
    Recipients(Vec<String>),
}

/// What a sealed stream is opened with.
#[derive(Debug, Clone)]
pub enum Key {
    /// The passphrase.
    Passphrase(SecretString),
    /// The text of an identity file: a line `AGE-SECRET-KEY-1…` for each identity, and remarks that start with `#`.
    Identities(SecretString),
}

/// Why a stream could not be sealed or opened.
#[derive(Debug, thiserror::Error)]
pub enum SealError {
    /// An empty passphrase.
    #[error("the passphrase is empty; give one of several words")]
    EmptyPassphrase,
    /// Nobody to seal for.
    #[error("there is no recipient; give at least one that starts with `age1`")]
    NoRecipient,
    /// Not a recipient; counted from 1.
    #[error("recipient {number}, `{given}`, is not one ({why}); a recipient is the text that starts with `age1`")]
    BadRecipient {
        /// Which, from 1.
        number: usize,
        /// As it was given.
        given: String,
        /// What is wrong.
        why: String,
    },
    /// An identity file without identity.
    #[error("the key file holds no identity; it has a line that starts with `AGE-SECRET-KEY-1`")]
    NoIdentity,
    /// A line of an identity file that is none; the line itself is secret and not repeated.
    #[error("line {line} of the key file is not an identity; such a line starts with `AGE-SECRET-KEY-1`")]
    BadIdentity {
        /// The line, from 1.
        line: usize,
    },
    /// Not sealed, or not in a way that is known here.
    #[error("this is not sealed in the age format, version 1; choose the file of a backup")]
    NotSealed,
    /// Sealed with a passphrase, opened with an identity.
    #[error("this was sealed with a passphrase; give the passphrase in place of a key file")]
    NeedsPassphrase,
    /// Sealed for recipients, opened with a passphrase.
    #[error("this was sealed for recipients; give the key file in place of a passphrase")]
    NeedsIdentity,
    /// Another passphrase.
    #[error("the passphrase is wrong")]
    WrongPassphrase,
    /// Sealed for somebody else.
    #[error("no identity of the key file fits; it was sealed for other recipients")]
    NoMatchingIdentity,
    /// A passphrase that would take too long to try.
    #[error("the passphrase takes 2^{0} steps to try, more than 2^{MOST_WORK}; this was not sealed here")]
    TooMuchWork(u8),
    /// Changed after it was sealed.
    #[error("the sealed file is damaged: it is not as it was written; use another copy")]
    Damaged,
    /// The end is missing.
    #[error("the sealed file is cut off: its end is missing; use another copy")]
    Truncated,
    /// Reading or writing failed.
    #[error("reading or writing failed: {0}")]
    Io(#[from] io::Error),
    /// Sealing failed for another reason.
    #[error("sealing failed: {0}")]
    Failed(String),
}

/// A stream that is being sealed. What is written to it comes out sealed; without [`Sealer::finish`] the end is missing, and it does not
/// open.
#[must_use = "without `finish` the sealed stream lacks its end"]
pub struct Sealer<W: Write>(StreamWriter<W>);

impl<W: Write> Sealer<W> {
    /// Writes the end, flushes, and gives back what it was written to.
    pub fn finish(self) -> Result<W, SealError> {
        let mut to = self.0.finish()?;
        to.flush()?;
        Ok(to)
    }
}

impl<W: Write> Write for Sealer<W> {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.0.write(bytes)
    }

    fn flush(&mut self) -> io::Result<()> {
        self.0.flush()
    }
}

impl<W: Write> fmt::Debug for Sealer<W> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("Sealer")
    }
}

/// A sealed stream that is being opened. What was read is as it was sealed; only a read that gives 0 bytes says that all of it was
/// there. An error of damage holds a [`SealError`] inside the [`io::Error`], see [`SealError::of`].
pub struct Opened<R: Read>(StreamReader<BufReader<FromStart<R>>>);

impl<R: Read> Read for Opened<R> {
    fn read(&mut self, bytes: &mut [u8]) -> io::Result<usize> {
        if bytes.is_empty() {
            return Ok(0);
        }
        self.0.read(bytes).map_err(|e| match e.kind() {
            io::ErrorKind::UnexpectedEof => io::Error::new(e.kind(), SealError::Truncated),
            io::ErrorKind::InvalidData => io::Error::new(e.kind(), SealError::Damaged),
            _ => e,
        })
    }
}

impl<R: Read> fmt::Debug for Opened<R> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("Opened")
    }
}

impl SealError {
    /// The error of sealing that an error of reading holds, where it does.
    pub fn of(error: &io::Error) -> Option<&SealError> {
        error.get_ref()?.downcast_ref()
    }
}

/// Seals what is written to the result, and writes that to `to`.
pub fn seal<W: Write>(lock: &Lock, to: W) -> Result<Sealer<W>, SealError> {
    seal_with_work(lock, to, WORK)
}

/// As [`seal`]; `work` is the power of two that a passphrase takes to try.
fn seal_with_work<W: Write>(lock: &Lock, to: W, work: u8) -> Result<Sealer<W>, SealError> {
    let encryptor = match lock {
        Lock::Passphrase(passphrase) => {
            if passphrase.expose_secret().is_empty() {
                return Err(SealError::EmptyPassphrase);
            }
            // A fixed work: what a fast machine would choose for itself, a slow one might refuse when it is in need of the backup.
            let mut recipient = scrypt::Recipient::new(passphrase.clone());
            recipient.set_work_factor(work);
            Encryptor::with_recipients(std::iter::once(&recipient as &dyn age::Recipient))
        }
        Lock::Recipients(given) => {
            let recipients = recipients(given)?;
            Encryptor::with_recipients(recipients.iter().map(|r| r as &dyn age::Recipient))
        }
    };
    let encryptor = encryptor.map_err(|e| match e {
        EncryptError::Io(e) => SealError::Io(e),
        EncryptError::MissingRecipients => SealError::NoRecipient,
        other => SealError::Failed(other.to_string()),
    })?;
    Ok(Sealer(encryptor.wrap_output(to)?))
}

fn recipients(given: &[String]) -> Result<Vec<x25519::Recipient>, SealError> {
    let parse = |(i, text): (usize, &String)| {
        text.trim().parse().map_err(|why: &str| SealError::BadRecipient {
            number: i + 1,
            given: text.clone(),
            why: why.into(),
        })
    };
    given.iter().enumerate().map(parse).collect()
}

fn identities(file: &str) -> Result<Vec<x25519::Identity>, SealError> {
    let mut found = Vec::new();
    for (i, line) in file.lines().enumerate() {
        let line = line.trim().trim_start_matches('\u{feff}');
        if !line.is_empty() && !line.starts_with('#') {
            found.push(line.parse().map_err(|_| SealError::BadIdentity { line: i + 1 })?);
        }
    }
    if found.is_empty() { Err(SealError::NoIdentity) } else { Ok(found) }
}

/// Opens a sealed stream: reading from the result gives what was sealed.
pub fn open<R: Read>(key: &Key, from: R) -> Result<Opened<R>, SealError> {
    let (sealed, from) = look(from)?;
    if !sealed {
        return Err(SealError::NotSealed);
    }
    let decryptor = Decryptor::new_buffered(BufReader::new(from)).map_err(opening_failed)?;
    let opened = match (key, decryptor.is_scrypt()) {
        (Key::Passphrase(_), false) => return Err(SealError::NeedsIdentity),
        (Key::Identities(_), true) => return Err(SealError::NeedsPassphrase),
        (Key::Passphrase(passphrase), true) => {
            let mut identity = scrypt::Identity::new(passphrase.clone());
            identity.set_max_work_factor(MOST_WORK);
            decryptor.decrypt(std::iter::once(&identity as &dyn age::Identity)).map_err(|e| match e {
                DecryptError::DecryptionFailed | DecryptError::NoMatchingKeys => SealError::WrongPassphrase,
                other => opening_failed(other),
            })
        }
        (Key::Identities(file), false) => {
            let identities = identities(file.expose_secret())?;
            decryptor.decrypt(identities.iter().map(|i| i as &dyn age::Identity)).map_err(opening_failed)
        }
    };
    opened.map(Opened)
}

fn opening_failed(error: DecryptError) -> SealError {
    match error {
        DecryptError::NoMatchingKeys => SealError::NoMatchingIdentity,
        DecryptError::UnknownFormat => SealError::NotSealed,
        DecryptError::ExcessiveWork { required, .. } => SealError::TooMuchWork(required),
        DecryptError::Io(e) if e.kind() == io::ErrorKind::UnexpectedEof => SealError::Truncated,
        DecryptError::Io(e) => SealError::Io(e),
        _ => SealError::Damaged,
    }
}

/// Whether a stream with these first bytes is sealed; [`MAGIC`] says how many it takes.
pub fn is_sealed(start: &[u8]) -> bool {
    start.starts_with(MAGIC)
}

/// A stream of which the first bytes were looked at, from its start again.
pub type FromStart<R> = Chain<Cursor<Vec<u8>>, R>;

/// Whether a stream is sealed, and the stream from its start again.
pub fn look<R: Read>(mut from: R) -> Result<(bool, FromStart<R>), SealError> {
    let mut start = Vec::with_capacity(MAGIC.len());
    from.by_ref().take(MAGIC.len() as u64).read_to_end(&mut start)?;
    Ok((is_sealed(&start), Cursor::new(start).chain(from)))
}

/// A new identity (the text of a key file) and the recipient (`age1…`) that belongs to it.
pub fn fresh_key() -> (SecretString, String) {
    let identity = x25519::Identity::generate();
    let recipient = identity.to_public().to_string();
    let file = format!("# public key: {recipient}\n{}\n", identity.to_string().expose_secret());
    (file.into(), recipient)
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    const SIZES: [usize; 7] = [0, 1, 65_535, 65_536, 65_537, 131_072, 1 << 20];

    fn plain(size: usize) -> Vec<u8> {
        (0..size).map(|i| (i * 31 + i / 251) as u8).collect()
    }

    fn sealed(lock: &Lock, bytes: &[u8]) -> Vec<u8> {
        let mut sealer = seal_with_work(lock, Vec::new(), 4).unwrap();
        sealer.write_all(bytes).unwrap();
        sealer.finish().unwrap()
    }

    /// Reads to the end; the outer error where it does not even open.
    fn opened(key: &Key, bytes: &[u8]) -> Result<Vec<u8>, SealError> {
        let mut out = Vec::new();
        open(key, bytes)?.read_to_end(&mut out)?;
        Ok(out)
    }

    fn pair() -> (Lock, Key) {
        let (file, recipient) = fresh_key();
        (Lock::Recipients(vec![recipient]), Key::Identities(file))
    }

    fn words(text: &str) -> (Lock, Key) {
        (Lock::Passphrase(text.into()), Key::Passphrase(text.into()))
    }

    #[test]
    fn there_and_back() {
        for (lock, key) in [pair(), words("four willow trees 柳")] {
            for size in SIZES {
                let bytes = sealed(&lock, &plain(size));
                assert!(is_sealed(&bytes));
                assert_eq!(opened(&key, &bytes).unwrap(), plain(size), "{size}");
            }
        }
    }

    #[test]
    fn in_small_pieces() {
        struct Drip<'a>(&'a [u8]);
        impl Read for Drip<'_> {
            fn read(&mut self, to: &mut [u8]) -> io::Result<usize> {
                let most = to.len().min(7);
                self.0.read(&mut to[..most])
            }
        }
        let (lock, key) = pair();
        let mut sealer = seal(&lock, Vec::new()).unwrap();
        for piece in plain(70_000).chunks(13) {
            sealer.write_all(piece).unwrap();
        }
        let bytes = sealer.finish().unwrap();
        let (mut out, mut piece) = (Vec::new(), [0; 11]);
        let mut from = open(&key, Drip(&bytes)).unwrap();
        loop {
            match from.read(&mut piece).unwrap() {
                0 => break,
                n => out.extend_from_slice(&piece[..n]),
            }
        }
        assert_eq!(out, plain(70_000));
        assert_eq!(from.read(&mut piece).unwrap(), 0);
    }

    #[test]
    fn several_recipients() {
        let ((a, akey), (b, bkey)) = (pair(), pair());
        let (Lock::Recipients(a), Lock::Recipients(b)) = (a, b) else { panic!() };
        let bytes = sealed(&Lock::Recipients([a, b].concat()), b"for two");
        assert_eq!(opened(&akey, &bytes).unwrap(), b"for two");
        assert_eq!(opened(&bkey, &bytes).unwrap(), b"for two");
        let (Key::Identities(x), Key::Identities(y)) = (pair().1, bkey) else { panic!() };
        let both = Key::Identities(format!("\u{feff}# two\r\n\n{}{}", x.expose_secret(), y.expose_secret()).into());
        assert_eq!(opened(&both, &bytes).unwrap(), b"for two");
    }

    #[test]
    fn the_wrong_key() {
        let ((lock, key), (plock, pkey)) = (pair(), words("four willow trees"));
        let (bytes, pbytes) = (sealed(&lock, b"text"), sealed(&plock, b"text"));
        assert!(matches!(opened(&pair().1, &bytes), Err(SealError::NoMatchingIdentity)));
        assert!(matches!(opened(&words("five").1, &pbytes), Err(SealError::WrongPassphrase)));
        assert!(matches!(opened(&pkey, &bytes), Err(SealError::NeedsIdentity)));
        assert!(matches!(opened(&key, &pbytes), Err(SealError::NeedsPassphrase)));
        let file = |text: &str| Key::Identities(text.into());
        assert!(matches!(opened(&file("# nothing\n"), &bytes), Err(SealError::NoIdentity)));
        assert!(matches!(opened(&file("# nothing\nage1x"), &bytes), Err(SealError::BadIdentity { line: 2 })));
    }

    #[test]
    fn the_wrong_lock() {
        let bad = |list: &[&str]| seal(&Lock::Recipients(list.iter().map(|r| r.to_string()).collect()), Vec::new());
        let (_, good) = fresh_key();
        assert!(matches!(bad(&[]), Err(SealError::NoRecipient)));
        assert!(matches!(bad(&[&good, "age1nobody"]), Err(SealError::BadRecipient { number: 2, .. })));
        assert!(matches!(bad(&[""]), Err(SealError::BadRecipient { number: 1, .. })));
        assert!(matches!(seal(&Lock::Passphrase("".into()), Vec::new()), Err(SealError::EmptyPassphrase)));
    }

    #[test]
    fn secrets_are_not_shown() {
        let (lock, key) = words("four willow trees");
        assert!(!format!("{lock:?} {key:?} {:?}", pair().1).contains("willow"));
        assert!(!format!("{:?}", pair().1).contains("AGE-SECRET"));
    }

    #[test]
    fn what_is_not_sealed() {
        let key = pair().1;
        for other in [&b""[..], b"SQLite format 3\0", b"age-encryption.org/v", b"age-encryption.org/v2\nx", &[0; 4096]]
        {
            assert!(matches!(opened(&key, other), Err(SealError::NotSealed)));
            let (sealed, mut again) = look(other).unwrap();
            let mut all = Vec::new();
            again.read_to_end(&mut all).unwrap();
            assert_eq!((sealed, &all[..]), (false, other));
        }
        let (lock, _) = pair();
        let bytes = sealed(&lock, b"text");
        let (sealed, mut again) = look(&bytes[..]).unwrap();
        let mut all = Vec::new();
        again.read_to_end(&mut all).unwrap();
        assert!(sealed && all == bytes);
    }

    #[test]
    fn too_much_work_is_not_begun() {
        let (lock, key) = words("four willow trees");
        let bytes = sealed(&lock, b"text");
        let text = String::from_utf8_lossy(&bytes[..64]).into_owned();
        let at = text.find(" 4\n").unwrap();
        let dear = [&bytes[..at], b" 40\n", &bytes[at + 3..]].concat();
        assert!(matches!(opened(&key, &dear), Err(SealError::TooMuchWork(40))));
    }

    #[test]
    fn a_flipped_bit_is_seen() {
        let (lock, key) = pair();
        let text = plain(200_000);
        let bytes = sealed(&lock, &text);
        let header = bytes.len() - 200_000 - 4 * 16;
        let chunk = 65_536 + 16;
        // All of the head, the edges of each part, and places all over the rest.
        let edges =
            (0..4).flat_map(|i| [header + i * chunk, header + (i + 1) * chunk - 1, header + (i + 1) * chunk - 16]);
        let places = (0..header).chain(edges).chain((header..bytes.len()).step_by(1511)).chain([bytes.len() - 1]);
        for place in places.filter(|p| *p < bytes.len()) {
            let mut broken = bytes.clone();
            broken[place] ^= 1 << (place % 8);
            assert!(opened(&key, &broken).is_err(), "{place} of {}", bytes.len());
        }
    }

    #[test]
    fn a_flipped_bit_after_a_passphrase_is_seen() {
        let (lock, key) = words("four willow trees");
        let bytes = sealed(&lock, b"text");
        // A flip in the work factor would ask for honest but long work; the head before and after it is tried in full.
        for place in (0..bytes.len()).filter(|p| !bytes[p.saturating_sub(2)..].starts_with(b" 4\n")) {
            let mut broken = bytes.clone();
            broken[place] ^= 1 << (place % 8);
            assert!(opened(&key, &broken).is_err(), "{place}");
        }
    }

    #[test]
    fn damage_says_what_it_is() {
        let (lock, key) = pair();
        let bytes = sealed(&lock, &plain(70_000));
        let mut broken = bytes.clone();
        *broken.last_mut().unwrap() ^= 1;
        let mut out = Vec::new();
        let error = open(&key, &broken[..]).unwrap().read_to_end(&mut out).unwrap_err();
        assert!(matches!(SealError::of(&error), Some(SealError::Damaged)), "{error}");
        assert_eq!(out, plain(70_000)[..65_536], "the first part was whole");
        // Cut between two parts: nothing but the missing end tells.
        let cut = &bytes[..bytes.len() - (70_000 - 65_536) - 16];
        let error = open(&key, cut).unwrap().read_to_end(&mut Vec::new()).unwrap_err();
        assert!(SealError::of(&error).is_some(), "{error}");
    }

    #[test]
    fn a_missing_end_is_seen() {
        let (lock, key) = pair();
        for size in [0, 1, 65_536, 131_072, 140_000] {
            let bytes = sealed(&lock, &plain(size));
            let body = bytes.len() - size - 16 * size.div_ceil(65_536).max(1);
            let cuts = (0..=body + 1)
                .chain([65_535, 65_536, 65_551, 65_552, 65_553, 131_104].map(|n| body + n))
                .chain([bytes.len() - 1]);
            for cut in cuts.filter(|c| *c < bytes.len()) {
                assert!(opened(&key, &bytes[..cut]).is_err(), "{cut} of {}", bytes.len());
            }
            // Something after the end is damage as well.
            assert!(opened(&key, &[&bytes[..], b"x"].concat()).is_err());
        }
        // Never finished.
        let mut to = Vec::new();
        let mut sealer = seal(&lock, &mut to).unwrap();
        sealer.write_all(&plain(100_000)).unwrap();
        drop(sealer);
        assert!(opened(&key, &to).is_err());
    }

    /// Another implementation, the command line program `age`, opens what we seal, and we open what it seals. AGE is the program.
    #[test]
    #[ignore = "needs python3 and the program age; AGE=/usr/bin/age cargo test -p fangwright-clinic --lib seal -- --ignored"]
    fn another_implementation() {
        let age = std::env::var("AGE").unwrap_or_else(|_| "age".into());
        let folder = std::env::temp_dir().join(format!("fangwright-seal-{}", std::process::id()));
        std::fs::create_dir_all(&folder).unwrap();
        let script = concat!(env!("CARGO_MANIFEST_DIR"), "/../../tests/reference/python/seal.py");
        let ((lock, key), (plock, pkey)) = (pair(), words("four willow trees 柳"));
        let (Key::Identities(file), Lock::Recipients(list)) = (&key, &lock) else { panic!() };
        std::fs::write(folder.join("key.txt"), file.expose_secret()).unwrap();
        std::fs::write(folder.join("recipient.txt"), &list[0]).unwrap();
        std::fs::write(folder.join("passphrase.txt"), "four willow trees 柳").unwrap();
        for size in SIZES {
            std::fs::write(folder.join(format!("{size}.plain")), plain(size)).unwrap();
            std::fs::write(folder.join(format!("{size}.ours")), sealed(&lock, &plain(size))).unwrap();
        }
        std::fs::write(folder.join("1.ours-passphrase"), sealed(&plock, &plain(1))).unwrap();
        let done = std::process::Command::new("python3").args([script, "--age", &age]).arg(&folder).status().unwrap();
        assert!(done.success());
        for size in SIZES {
            let theirs = std::fs::read(folder.join(format!("{size}.theirs"))).unwrap();
            assert_eq!(opened(&key, &theirs).unwrap(), plain(size), "{size}");
        }
        let theirs = std::fs::read(folder.join("1.theirs-passphrase")).unwrap();
        assert_eq!(opened(&pkey, &theirs).unwrap(), plain(1));
        std::fs::remove_dir_all(&folder).unwrap();
    }
}
