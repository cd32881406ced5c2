//! Passwords, kept as Argon2id hashes (RFC 9106) in the PHC string format: `$argon2id$v=19$m=19456,t=2,p=1$salt$hash`.

use argon2::password_hash::phc::PasswordHash;
use argon2::password_hash::{self, PasswordHasher, PasswordVerifier};
use argon2::{ARGON2ID_IDENT, Algorithm, Argon2, Params, Version};

/// Kibibytes of memory of a new hash.
const MEMORY: u32 = 19_456;
/// Passes over the memory of a new hash.
const PASSES: u32 = 2;
/// Lanes of a new hash.
const LANES: u32 = 1;
const SALT: usize = 16;

/// The dearest hash that is still computed: whoever can write one into the store shall not stop the clinic with it.
const MOST: (u32, u32, u32) = (262_144, 16, 16);

/// The least number of characters of a new password.
pub const LEAST_CHARACTERS: usize = 10;

/// No account has this hash: it stands for accounts that do not exist, see [`verify_nobody`].
const NOBODY: &str =
    "$argon2id$v=19$m=19456,t=2,p=1$bm9ib2R5aGFzdGhpc29uZQ$AAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAA";

/// Why a password could not be hashed or checked.
#[derive(Debug, thiserror::Error)]
pub enum PasswordError {
    /// The system has no random numbers.
    #[error("the system gives no random numbers ({0}); the password was not changed, try again")]
    Random(getrandom::Error),
    /// Not a PHC string.
    #[error("the kept hash of the password cannot be read ({0}); set a new password for this account")]
    Malformed(String),
    /// A hash of another kind.
    #[error("the kept hash of the password is of the kind `{0}` and not argon2id of version 19; set a new password")]
    OtherKind(String),
    /// A hash that asks for too much work.
    #[error(
        "the kept hash asks for {memory} KiB, {passes} passes and {lanes} lanes, more than is ever written here; somebody may have \
         changed it: set a new password"
    )]
    TooDear {
        /// Kibibytes.
        memory: u32,
        /// Passes.
        passes: u32,
        /// Lanes.
        lanes: u32,
    },
    /// The computation failed, as for want of memory.
    #[error("the password could not be hashed: {0}")]
    Failed(password_hash::Error),
}

/// Why a new password is not taken.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum Weak {
    /// Too short.
    #[error("a password has at least {LEAST_CHARACTERS} characters; this one has {0}")]
    Short(usize),
    /// One character over and over.
    #[error("a password is not one character over and over; use several words")]
    OneCharacter,
    /// The account's name.
    #[error("a password is not the name of the account; choose another one")]
    AccountName,
}

/// Whether a new password is good enough for an account of this name. Capitals and white space at the ends make no difference to the
/// name, nor does the name twice and more in a row.
pub fn check_new(password: &str, account: &str) -> Result<(), Weak> {
    let count = password.chars().count();
    if count < LEAST_CHARACTERS {
        return Err(Weak::Short(count));
    }
    let mut characters = password.chars();
    let first = characters.next();
    if characters.all(|c| Some(c) == first) {
        return Err(Weak::OneCharacter);
    }
    let (plain, name) = (password.trim().to_lowercase(), account.trim().to_lowercase());
    if !name.is_empty() && plain.replace(&name, "").trim().is_empty() {
        return Err(Weak::AccountName);
    }
    Ok(())
}

fn hasher() -> Result<Argon2<'static>, PasswordError> {
    let params = Params::new(MEMORY, PASSES, LANES, None).map_err(|e| PasswordError::Failed(e.into()))?;
    Ok(Argon2::new(Algorithm::Argon2id, Version::V0x13, params))
}

/// The PHC string of a password, with a new random salt. Takes 19 MiB of memory.
pub fn hash(password: &str) -> Result<String, PasswordError> {
    let mut salt = [0; SALT];
    getrandom::fill(&mut salt).map_err(PasswordError::Random)?;
    let hash = hasher()?.hash_password_with_salt(password.as_bytes(), &salt).map_err(PasswordError::Failed)?;
    Ok(hash.to_string())
}

/// A PHC string that is one of ours or could be.
fn read(phc: &str) -> Result<(PasswordHash, Params), PasswordError> {
    let malformed = |e: &dyn std::fmt::Display| PasswordError::Malformed(e.to_string());
    let hash = PasswordHash::new(phc).map_err(|e| malformed(&e))?;
    let version = hash.version.unwrap_or(0);
    if hash.algorithm != ARGON2ID_IDENT || version != Version::V0x13 as u32 {
        return Err(PasswordError::OtherKind(format!("{}, version {version}", hash.algorithm)));
    }
    if hash.salt.is_none() || hash.hash.is_none() {
        return Err(malformed(&"salt or hash is missing"));
    }
    let params = Params::try_from(&hash).map_err(|e| malformed(&e))?;
    let (memory, passes, lanes) = (params.m_cost(), params.t_cost(), params.p_cost());
    if memory > MOST.0 || passes > MOST.1 || lanes > MOST.2 {
        return Err(PasswordError::TooDear { memory, passes, lanes });
    }
    Ok((hash, params))
}

/// Whether this is the password of a PHC string. The comparison takes the same time wherever the two differ.
pub fn verify(phc: &str, password: &str) -> Result<bool, PasswordError> {
    let (hash, _) = read(phc)?;
    match hasher()?.verify_password(password.as_bytes(), &hash) {
        Ok(()) => Ok(true),
        Err(password_hash::Error::PasswordInvalid) => Ok(false),
        Err(e) => Err(PasswordError::Failed(e)),
    }
}

/// Costs what [`verify`] costs and says no: for an account that does not exist, so that nobody can tell by the time.
pub fn verify_nobody(password: &str) -> bool {
    std::hint::black_box(verify(NOBODY, std::hint::black_box(password))).is_err_and(|_| false)
}

/// Whether the password should be hashed anew when it is next known: the hash has other settings than a new one, or cannot be read.
pub fn needs_rehash(phc: &str) -> bool {
    let ours = |(hash, params): (PasswordHash, Params)| {
        (params.m_cost(), params.t_cost(), params.p_cost()) == (MEMORY, PASSES, LANES)
            && hash.salt.is_some_and(|s| s.len() >= SALT)
            && hash.hash.is_some_and(|h| h.len() >= Params::DEFAULT_OUTPUT_LEN)
    };
    !read(phc).is_ok_and(ours)
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use argon2::{AssociatedData, ParamsBuilder};

    use super::*;

    #[test]
    fn rfc_9106_section_5_3() {
        let params = ParamsBuilder::new()
            .m_cost(32)
            .t_cost(3)
            .p_cost(4)
            .data(AssociatedData::new(&[4; 12]).unwrap())
            .output_len(32)
            .build()
            .unwrap();
        let argon = Argon2::new_with_secret(&[3; 8], Algorithm::Argon2id, Version::V0x13, params).unwrap();
        let mut tag = [0; 32];
        argon.hash_password_into(&[1; 32], &[2; 16], &mut tag).unwrap();
        let expected = [
            0x0d, 0x64, 0x0d, 0xf5, 0x8d, 0x78, 0x76, 0x6c, 0x08, 0xc0, 0x37, 0xa3, 0x4a, 0x8b, 0x53, 0xc9, 0xd0, 0x1e,
            0xf0, 0x45, 0x2d, 0x75, 0xb6, 0x5e, 0xb5, 0x25, 0x20, 0xe9, 0x6b, 0x01, 0xe6, 0x59,
        ];
        assert_eq!(tag, expected);
    }

    #[test]
    fn a_password_and_its_hash() {
        let kept = hash("four willow trees").unwrap();
        assert!(kept.starts_with("$argon2id$v=19$m=19456,t=2,p=1$"), "{kept}");
        assert_eq!(kept.split('$').map(str::len).collect::<Vec<_>>(), [0, 8, 4, 15, 22, 43]);
        assert!(verify(&kept, "four willow trees").unwrap());
        assert!(!verify(&kept, "four willow tree").unwrap());
        assert!(!verify(&kept, "").unwrap());
        assert!(!needs_rehash(&kept));
        assert_ne!(kept, hash("four willow trees").unwrap());
    }

    /// Made by another implementation: PyPI `argon2-cffi`, which holds the authors' C code.
    #[test]
    fn a_hash_from_elsewhere() {
        let kept = "$argon2id$v=19$m=19456,t=2,p=1$c2FsdCBvZiBhIHRlc3QuLg$zkb9E4yj74Ffa5JwBfrNw57huq1uMiKyXlJicBa8zgs";
        assert!(verify(kept, "four willow trees").unwrap());
        assert!(!verify(kept, "four willow trees ").unwrap());
        assert!(!needs_rehash(kept));
        assert_eq!(
            hasher().unwrap().hash_password_with_salt(b"four willow trees", b"salt of a test..").unwrap().to_string(),
            kept
        );
    }

    #[test]
    fn any_text_is_a_password() {
        for password in ["四株柳樹在河邊站著呢", "emoji 🌿🌿🌿 and\u{0} nought", &"long ".repeat(10_000)]
        {
            assert!(verify(&hash(password).unwrap(), password).unwrap());
        }
    }

    #[test]
    fn nobody_has_no_password() {
        assert!(matches!(verify(NOBODY, "nobody"), Ok(false)));
        assert!(!needs_rehash(NOBODY), "the hash of nobody costs as much as a new one");
        assert!(!verify_nobody("nobody"));
        assert!(!verify_nobody(""));
    }

    #[test]
    fn other_settings() {
        let cheap = "$argon2id$v=19$m=64,t=1,p=1$c29tZXNhbHQ$";
        let params = Params::new(64, 1, 1, None).unwrap();
        let argon = Argon2::new(Algorithm::Argon2id, Version::V0x13, params);
        let kept = argon.hash_password_with_salt(b"four willow trees", b"somesalt").unwrap().to_string();
        assert!(kept.starts_with(cheap), "{kept}");
        assert!(verify(&kept, "four willow trees").unwrap());
        assert!(needs_rehash(&kept));
        assert!(needs_rehash("nothing of the kind"));
    }

    #[test]
    fn what_cannot_be_read_says_why() {
        let salt = "c29tZXNhbHRzb21lc2FsdA";
        let tag = "AAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAA";
        let malformed = |phc: &str| assert!(matches!(verify(phc, "x"), Err(PasswordError::Malformed(_))), "{phc}");
        malformed("");
        malformed("four willow trees");
        malformed("$");
        malformed("$argon2id$v=19$m=19456,t=2,p=1");
        malformed(&format!("$argon2id$v=19$m=19456,t=2,p=1${salt}"));
        malformed(&format!("$argon2id$v=19$m=19456,t=2,p=1${salt}$"));
        malformed(&format!("$argon2id$v=19$m=19456,t=2,p=1${salt}$!!!!"));
        malformed(&format!("$argon2id$v=19$m=x,t=2,p=1${salt}${tag}"));
        malformed(&format!("$argon2id$v=19$m=19456,t=0,p=1${salt}${tag}"));
        let other = |phc: &str| assert!(matches!(verify(phc, "x"), Err(PasswordError::OtherKind(_))), "{phc}");
        other(&format!("$argon2i$v=19$m=19456,t=2,p=1${salt}${tag}"));
        other(&format!("$argon2d$v=19$m=19456,t=2,p=1${salt}${tag}"));
        other(&format!("$argon2id$v=16$m=19456,t=2,p=1${salt}${tag}"));
        other(&format!("$argon2id$m=19456,t=2,p=1${salt}${tag}"));
        let dear = |phc: &str| assert!(matches!(verify(phc, "x"), Err(PasswordError::TooDear { .. })), "{phc}");
        dear(&format!("$argon2id$v=19$m=4000000000,t=2,p=1${salt}${tag}"));
        dear(&format!("$argon2id$v=19$m=19456,t=4000000000,p=1${salt}${tag}"));
    }

    #[test]
    fn rules_for_new_ones() {
        assert_eq!(check_new("four willow trees", "j.oake"), Ok(()));
        assert_eq!(check_new("ninechars", "j.oake"), Err(Weak::Short(9)));
        assert_eq!(check_new("四株柳樹在河邊站著", "j.oake"), Err(Weak::Short(9)));
        assert_eq!(check_new("四株柳樹在河邊站著呢", "j.oake"), Ok(()));
        assert_eq!(check_new("aaaaaaaaaaaa", "j.oake"), Err(Weak::OneCharacter));
        assert_eq!(check_new(" Jasper.Oake ", "jasper.oake"), Err(Weak::AccountName));
        assert_eq!(check_new("j.oakeJ.OAKE", "j.oake"), Err(Weak::AccountName));
        assert_eq!(check_new("j.oake and more", "j.oake"), Ok(()));
        assert_eq!(check_new("          1", ""), Ok(()));
    }
}
