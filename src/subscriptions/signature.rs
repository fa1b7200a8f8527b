//! The signature of a message, by Standard Webhooks 1.0 (<https://github.com/standard-webhooks/standard-webhooks>): the
//! HMAC-SHA-256 (RFC 2104) of `id.timestamp.body`. The time is of the try, so that an old message that somebody kept is
//! told from one that is sent now.

use base64::Engine as _;
use base64::engine::general_purpose::STANDARD;
use hmac::{Hmac, KeyInit as _, Mac as _};
use sha2::Sha256;
use std::fmt;

/// Header with the id of the event, the same at every try.
pub const ID: &str = "webhook-id";
/// Header with the time of the try, seconds since 1970.
pub const TIMESTAMP: &str = "webhook-timestamp";
/// Header with the signatures, separated by spaces.
pub const SIGNATURE: &str = "webhook-signature";

/// What a secret may begin with.
const PREFIX: &str = "whsec_";
/// Least and most bytes of a secret.
const BYTES: std::ops::RangeInclusive<usize> = 24..=64;

/// A secret that both sides know.
#[derive(Clone, PartialEq, Eq)]
pub struct Secret(Vec<u8>);

impl fmt::Debug for Secret {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("hidden")
    }
}

impl Secret {
    /// A secret as it is written: base64, with or without `whsec_` before it.
    ///
    /// # Errors
    /// What is expected; nothing of the text.
    pub fn read(text: &str) -> Result<Self, &'static str> {
        let bytes = STANDARD.decode(text.strip_prefix(PREFIX).unwrap_or(text)).unwrap_or_default();
        if BYTES.contains(&bytes.len()) {
            Ok(Self(bytes))
        } else {
            Err("expected 24 to 64 random bytes in base64, such as `openssl rand -base64 32` gives")
        }
    }
}

/// The value of the header [`SIGNATURE`].
pub fn signatures(secrets: &[Secret], id: &str, timestamp: i64, body: &str) -> String {
    let one = |secret: &Secret| {
        // A key of any length is taken.
        let mut mac = Hmac::<Sha256>::new_from_slice(&secret.0).ok()?;
        mac.update(format!("{id}.{timestamp}.{body}").as_bytes());
        Some(format!("v1,{}", STANDARD.encode(mac.finalize().into_bytes())))
    };
    secrets.iter().filter_map(one).collect::<Vec<_>>().join(" ")
}

#[cfg(test)]
mod tests {
    use super::*;
    use data_encoding::HEXLOWER;

    /// RFC 4231, test cases 2 and 3, from memory: what is signed there has no dots, so the parts are put together here.
    #[test]
    fn the_mac_is_that_of_the_standard() {
        let mac = |key: &[u8], text: &[u8]| {
            let mut mac = Hmac::<Sha256>::new_from_slice(key).unwrap();
            mac.update(text);
            HEXLOWER.encode(&mac.finalize().into_bytes())
        };
        assert_eq!(
            mac(b"Jefe", b"what do ya want for nothing?"),
            "5bdcc146bf60754e6a042426089575c75a003f089d2739839dec58b964ec3843"
        );
        assert_eq!(mac(&[0xaa; 20], &[0xdd; 50]), "773ea91e36800e46854db8ebd09181a72959098b3ef8c122d9635514ced565fe");
    }

    /// The example of the specification's text, from memory; tests/outside/subscriptions.py signs again with Python's hmac.
    #[test]
    fn the_example_of_the_specification() {
        let secret = Secret::read("whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw").unwrap();
        let body = r#"{"test": 2432232314}"#;
        assert_eq!(
            signatures(std::slice::from_ref(&secret), "msg_p5jXN8AQM9LWM0D4loKWxJek", 1_614_265_330, body),
            "v1,g0hM9SsE+OTPJTGt/tmIKtSyZlE3uFJELVlNIOLJ1OE="
        );
        let two = signatures(&[secret.clone(), secret], "id", 1, body);
        let (a, b) = two.split_once(' ').unwrap();
        assert_eq!(a, b);
    }

    #[test]
    fn secrets_have_one_form() {
        assert!(Secret::read("MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw").is_ok());
        for text in
            ["", "whsec_", "secret", "MfKQ9r8GKYqrTwjUPD8I", "!fKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw", &"A".repeat(100)]
        {
            assert!(Secret::read(text).is_err(), "{text}");
        }
        assert_eq!(format!("{:?}", Secret::read(&"A".repeat(40)).unwrap()), "hidden");
    }
}
