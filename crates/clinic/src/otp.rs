//! The second factor: a code of six digits that changes every 30 seconds (TOTP, RFC 6238, with HMAC-SHA-1).
//!
//! A code is taken one step early or late, for clocks that differ, and never twice: the caller keeps the step that [`accept`] gives
//! back and hands it in the next time.

use age::secrecy::{ExposeSecret, ExposeSecretMut, SecretBox};
use jiff::Timestamp;
use totp_rs::{Builder, Totp};

const BYTES: usize = 20;
const DIGITS: usize = 6;
const PERIOD: u64 = 30;
const WINDOW: u64 = 1;
const ALPHABET: &[u8; 32] = b"ABCDEFGHIJKLMNOPQRSTUVWXYZ234567";

/// Why there is no secret.
#[derive(Debug, thiserror::Error)]
pub enum OtpError {
    /// The system has no random numbers.
    #[error("the system gives no random numbers ({0}); nothing was set up, try again")]
    Random(getrandom::Error),
    /// A character that base 32 does not have; its place is counted from 1.
    #[error("character {0} of the secret is none of A to Z and 2 to 7; copy the secret again as it was shown")]
    NotBase32(usize),
    /// Not as long as a secret of ours.
    #[error("the secret has {0} characters and not 32; copy the whole of it")]
    Length(usize),
}

/// What the clinic and a person's device share: 20 random bytes. They are wiped from memory when it goes, and no debug output shows
/// them.
#[derive(Debug)]
pub struct Secret(SecretBox<[u8; BYTES]>);

impl Secret {
    /// A new one.
    pub fn random() -> Result<Secret, OtpError> {
        let mut bytes = SecretBox::new(Box::new([0; BYTES]));
        getrandom::fill(bytes.expose_secret_mut()).map_err(OtpError::Random)?;
        Ok(Secret(bytes))
    }

    /// From 20 bytes.
    pub fn from_bytes(bytes: [u8; BYTES]) -> Secret {
        Secret(SecretBox::new(Box::new(bytes)))
    }

    /// From base 32 (RFC 4648) as [`Secret::base32`] gives it; spaces, small letters and padding are taken too.
    pub fn from_base32(text: &str) -> Result<Secret, OtpError> {
        let bytes = from_base32(text)?;
        let length = (bytes.len() * 8).div_ceil(5);
        let bytes: [u8; BYTES] = bytes.try_into().map_err(|_| OtpError::Length(length))?;
        Ok(Secret::from_bytes(bytes))
    }

    /// The secret in base 32 without padding, 32 characters: to be kept, or typed into a device by hand.
    pub fn base32(&self) -> String {
        base32(self.0.expose_secret())
    }

    /// The address that a device reads from a QR code: `otpauth://totp/ISSUER:ACCOUNT?secret=…`. A colon in a name becomes a space,
    /// since the label has no way to write one.
    pub fn uri(&self, issuer: &str, account: &str) -> String {
        let (issuer, account) = (percent(issuer), percent(account));
        let label = if issuer.is_empty() { account } else { format!("{issuer}:{account}") };
        let issuer = if issuer.is_empty() { String::new() } else { format!("&issuer={issuer}") };
        format!(
            "otpauth://totp/{label}?secret={}{issuer}&algorithm=SHA1&digits={DIGITS}&period={PERIOD}",
            self.base32()
        )
    }

    fn generator(&self) -> Totp {
        // The crate starts from SHA-1, six digits and 30 seconds; the window is ours, so as to look at every step of it.
        Builder::new()
            .with_secret(totp_rs::Secret::new_stack(*self.0.expose_secret()))
            .with_skew(0)
            .build_noncompliant()
    }
}

/// The step whose code this is, to be kept as the last used one; nothing where the code is not taken.
///
/// Taken are the codes of the step that `at` lies in and of the one before and after it, but none of `last_used_step` or before. White
/// space in the code does not count. The time this takes does not depend on the code's digits.
pub fn accept(secret: &Secret, code: &str, at: Timestamp, last_used_step: Option<u64>) -> Option<u64> {
    // One character more than a code has is enough to see that it is none.
    let code: String = code.chars().filter(|c| !c.is_whitespace()).take(DIGITS + 1).collect();
    let now = u64::try_from(at.as_second()).ok()? / PERIOD;
    let generator = secret.generator();
    // Of two steps that happen to have the same code the later one counts: else the same code could come again.
    (now.saturating_sub(WINDOW)..=now + WINDOW)
        .map(|step| generator.check(&code, step * PERIOD))
        .fold(None, |found, step| step.or(found))
        .filter(|step| last_used_step.is_none_or(|last| *step > last))
}

fn base32(bytes: &[u8]) -> String {
    let mut text = String::with_capacity((bytes.len() * 8).div_ceil(5));
    let (mut held, mut bits) = (0u32, 0u32);
    for byte in bytes {
        held = held << 8 | u32::from(*byte);
        bits += 8;
        while bits >= 5 {
            bits -= 5;
            text.push(char::from(ALPHABET[(held >> bits & 31) as usize]));
        }
        held &= (1 << bits) - 1;
    }
    if bits > 0 {
        text.push(char::from(ALPHABET[(held << (5 - bits) & 31) as usize]));
    }
    text
}

fn from_base32(text: &str) -> Result<Vec<u8>, OtpError> {
    let mut bytes = Vec::with_capacity(BYTES);
    let (mut held, mut bits) = (0u32, 0u32);
    for (place, c) in text.trim_end_matches(|c: char| c == '=' || c.is_whitespace()).chars().enumerate() {
        if c.is_whitespace() || c == '-' {
            continue;
        }
        let upper = c.to_ascii_uppercase();
        let value = ALPHABET.iter().position(|a| char::from(*a) == upper).ok_or(OtpError::NotBase32(place + 1))?;
        held = held << 5 | value as u32;
        bits += 5;
        if bits >= 8 {
            bits -= 8;
            bytes.push((held >> bits & 255) as u8);
            held &= (1 << bits) - 1;
        }
    }
    Ok(bytes)
}

/// All but the unreserved characters of RFC 3986 as `%XX` of their UTF-8 bytes.
fn percent(name: &str) -> String {
    let mut text = String::with_capacity(name.len());
    for byte in name.replace(':', " ").trim().bytes() {
        if byte.is_ascii_alphanumeric() || b"-._~".contains(&byte) {
            text.push(char::from(byte));
        } else {
            text.push_str(&format!("%{byte:02X}"));
        }
    }
    text
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    const RFC: &[u8; 20] = b"12345678901234567890";

    fn rfc() -> Secret {
        Secret::from_bytes(*RFC)
    }

    fn at(second: i64) -> Timestamp {
        Timestamp::from_second(second).unwrap()
    }

    #[test]
    fn rfc_6238_appendix_b() {
        let generator =
            Builder::new().with_secret(totp_rs::Secret::new_stack(*RFC)).with_digits(8).build_noncompliant();
        for (second, code) in [
            (59, "94287082"),
            (1_111_111_109, "07081804"),
            (1_111_111_111, "14050471"),
            (1_234_567_890, "89005924"),
            (2_000_000_000, "69279037"),
            (20_000_000_000, "65353130"),
        ] {
            assert_eq!(generator.generate(second).to_string(), code);
            // Six digits are the last six of the eight.
            assert_eq!(accept(&rfc(), &code[2..], at(second as i64), None), Some(second / 30));
        }
    }

    #[test]
    fn rfc_4226_appendix_d() {
        let codes =
            ["755224", "287082", "359152", "969429", "338314", "254676", "287922", "162583", "399871", "520489"];
        for (step, code) in codes.iter().enumerate() {
            assert_eq!(rfc().generator().generate(step as u64 * 30).to_string(), *code);
            assert_eq!(accept(&rfc(), code, at(step as i64 * 30 + 29), None), Some(step as u64));
        }
    }

    #[test]
    fn one_step_early_or_late() {
        let code = "969429"; // step 3
        for (second, taken) in [(59, false), (60, true), (90, true), (119, true), (149, true), (150, false)] {
            assert_eq!(accept(&rfc(), code, at(second), None), taken.then_some(3), "{second}");
        }
        assert_eq!(accept(&rfc(), "755224", at(-1), None), None);
        assert_eq!(accept(&rfc(), "755224", Timestamp::MIN, None), None);
        assert_eq!(accept(&rfc(), "755224", Timestamp::MAX, None), None);
    }

    #[test]
    fn no_code_twice_and_none_from_before() {
        let used = accept(&rfc(), "969429", at(100), None);
        assert_eq!(used, Some(3));
        assert_eq!(accept(&rfc(), "969429", at(100), used), None);
        assert_eq!(accept(&rfc(), "969429", at(130), used), None);
        assert_eq!(accept(&rfc(), "359152", at(100), used), None); // step 2
        assert_eq!(accept(&rfc(), "338314", at(100), used), Some(4));
    }

    #[test]
    fn what_is_a_code() {
        assert_eq!(accept(&rfc(), " 969 429\n", at(100), None), Some(3));
        let long = "9".repeat(1_000_000);
        for bad in ["", "96942", "9694290", "96942x", "+96942", "-96942", "９６９４２９", "969429 969429", &long]
        {
            assert_eq!(accept(&rfc(), bad, at(100), None), None);
        }
    }

    #[test]
    fn rfc_4648_section_10() {
        for (plain, coded) in [
            ("", ""),
            ("f", "MY"),
            ("fo", "MZXQ"),
            ("foo", "MZXW6"),
            ("foob", "MZXW6YQ"),
            ("fooba", "MZXW6YTB"),
            ("foobar", "MZXW6YTBOI"),
        ] {
            assert_eq!(base32(plain.as_bytes()), coded);
            assert_eq!(from_base32(coded).unwrap(), plain.as_bytes());
        }
        assert_eq!(from_base32("mzxw 6ytb oi======").unwrap(), b"foobar");
    }

    #[test]
    fn secrets() {
        let (a, b) = (Secret::random().unwrap(), Secret::random().unwrap());
        assert_ne!(a.base32(), b.base32());
        assert_eq!(a.base32().len(), 32);
        assert_eq!(Secret::from_base32(&a.base32()).unwrap().base32(), a.base32());
        assert!(!format!("{:?}", rfc()).contains(&rfc().base32()));
        assert!(!format!("{:?}", rfc()).contains("49"));
        assert!(matches!(Secret::from_base32("AAA1"), Err(OtpError::NotBase32(4))));
        assert!(matches!(Secret::from_base32("MZXW6YTB"), Err(OtpError::Length(8))));
    }

    #[test]
    fn the_address_of_a_secret() {
        assert_eq!(
            rfc().uri("Willow & Oak", "j.oake@clinic:1 老"),
            "otpauth://totp/Willow%20%26%20Oak:j.oake%40clinic%201%20%E8%80%81\
             ?secret=GEZDGNBVGY3TQOJQGEZDGNBVGY3TQOJQ&issuer=Willow%20%26%20Oak&algorithm=SHA1&digits=6&period=30"
        );
        assert!(rfc().uri("", "j.oake").starts_with("otpauth://totp/j.oake?secret="));
    }
}
