//! Signatures of webhooks, in the form of the open Standard Webhooks specification.
//!
//! Signed is `id.timestamp.payload` with HMAC-SHA256; the header carries `v1,` and base64.

use base64::Engine as _;
use base64::engine::general_purpose::STANDARD;
use hmac::{Hmac, KeyInit as _, Mac as _};
use sha2::Sha256;

/// Header with the message's id, the same for every attempt to deliver it.
pub const HEADER_ID: &str = "webhook-id";
/// Header with the time of the attempt, seconds since 1970.
pub const HEADER_TIMESTAMP: &str = "webhook-timestamp";
/// Header with the signatures, separated by blanks.
pub const HEADER_SIGNATURE: &str = "webhook-signature";
/// What a written secret begins with.
const SECRET_PREFIX: &str = "whsec_";
/// Least and most bytes of a secret, by the specification.
const SECRET_BYTES: std::ops::RangeInclusive<usize> = 24..=64;
/// How far a receiver lets the time of an attempt be off, s; as in the specification's libraries.
pub const TOLERANCE_S: i64 = 300;

/// A secret shared with one receiver. It is never shown.
#[derive(Clone)]
pub struct Secret(Vec<u8>);

impl std::fmt::Debug for Secret {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("Secret(..)")
    }
}

/// Why a secret cannot be used.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum BadSecret {
    /// Not the written form.
    #[error("not base64 after `whsec_`; copy the secret whole")]
    Encoding,
    /// Too short to trust, or too long.
    #[error("the secret must have 24 to 64 bytes; make a new one")]
    Length,
}

impl Secret {
    /// Takes the bytes of a secret.
    ///
    /// # Errors
    /// `Length` outside 24 to 64 bytes.
    pub fn from_bytes(bytes: Vec<u8>) -> Result<Self, BadSecret> {
        if SECRET_BYTES.contains(&bytes.len()) {
            Ok(Self(bytes))
        } else {
            Err(BadSecret::Length)
        }
    }

    /// Reads the written form: `whsec_` (which may be left out) and base64.
    ///
    /// # Errors
    /// `Encoding` when it is no base64, `Length` outside 24 to 64 bytes.
    pub fn parse(text: &str) -> Result<Self, BadSecret> {
        let encoded = text.strip_prefix(SECRET_PREFIX).unwrap_or(text);
        let bytes = STANDARD.decode(encoded).map_err(|_| BadSecret::Encoding)?;
        Self::from_bytes(bytes)
    }

    fn mac(&self, id: &str, timestamp_s: i64, payload: &[u8]) -> Option<Hmac<Sha256>> {
        let mut mac = Hmac::<Sha256>::new_from_slice(&self.0).ok()?;
        mac.update(id.as_bytes());
        mac.update(b".");
        mac.update(timestamp_s.to_string().as_bytes());
        mac.update(b".");
        mac.update(payload);
        Some(mac)
    }

    /// The signature of a message, `v1,` and base64. An id must not contain a dot.
    #[must_use]
    pub fn sign(&self, id: &str, timestamp_s: i64, payload: &[u8]) -> String {
        let mac = self.mac(id, timestamp_s, payload);
        let bytes = mac.map(|mac| mac.finalize().into_bytes());
        format!(
            "v1,{}",
            bytes
                .map(|bytes| STANDARD.encode(bytes))
                .unwrap_or_default()
        )
    }

    /// Whether one of the signatures of a header is ours and the attempt is fresh. Compares in
    /// constant time.
    #[must_use]
    pub fn verify(&self, message: &Signed<'_>, now_s: i64) -> bool {
        now_s.abs_diff(message.timestamp_s) <= TOLERANCE_S.unsigned_abs()
            && message.signatures.split(' ').any(|signature| {
                let bytes = signature
                    .strip_prefix("v1,")
                    .map(|text| STANDARD.decode(text));
                let Some(Ok(bytes)) = bytes else {
                    return false;
                };
                let mac = self.mac(message.id, message.timestamp_s, message.payload);
                mac.is_some_and(|mac| mac.verify_slice(&bytes).is_ok())
            })
    }
}

/// A message as a receiver gets it.
#[derive(Debug, Clone, Copy)]
pub struct Signed<'a> {
    /// Header `webhook-id`.
    pub id: &'a str,
    /// Header `webhook-timestamp`.
    pub timestamp_s: i64,
    /// The body, byte for byte.
    pub payload: &'a [u8],
    /// Header `webhook-signature`.
    pub signatures: &'a str,
}

#[cfg(test)]
mod tests {
    use super::*;

    // Source: test vector of the specification's own libraries; the value was computed again with
    // the standard library of Python 3.11: hmac.new(key, message, hashlib.sha256).
    #[test]
    fn the_published_vector_is_met() {
        let secret = Secret::parse("whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw").unwrap();
        let signature = secret.sign(
            "msg_p5jXN8AQM9LWM0D4loKWxJek",
            1_614_265_330,
            br#"{"test": 2432232314}"#,
        );
        assert_eq!(signature, "v1,g0hM9SsE+OTPJTGt/tmIKtSyZlE3uFJELVlNIOLJ1OE=");
    }

    // Source: computed with the standard library of Python 3.11 (hmac, hashlib, base64).
    const PAYLOAD: &[u8] = br#"{"kind":"over_temperature","value":52.3}"#;
    const SIGNATURE: &str = "v1,WglJmY405O05qJKZ++usPyXbb34OSY/1KRMwJzaQ+Kw=";

    fn secret() -> Secret {
        Secret::from_bytes(b"tarn-valley-webhook-signing-key!".to_vec()).unwrap()
    }

    fn signed(signatures: &str) -> Signed<'_> {
        Signed {
            id: "alarm-7",
            timestamp_s: 1_764_110_375,
            payload: PAYLOAD,
            signatures,
        }
    }

    #[test]
    fn a_signature_is_what_another_implementation_computes() {
        assert_eq!(secret().sign("alarm-7", 1_764_110_375, PAYLOAD), SIGNATURE);
    }

    #[test]
    fn only_the_same_message_at_its_time_is_verified() {
        let now_s = 1_764_110_375;
        let two = format!("v1,AAAA v2,x {SIGNATURE}");
        assert!(secret().verify(&signed(SIGNATURE), now_s));
        assert!(secret().verify(&signed(&two), now_s + TOLERANCE_S));
        assert!(!secret().verify(&signed(SIGNATURE), now_s + TOLERANCE_S + 1));
        assert!(!secret().verify(&signed(SIGNATURE), now_s - TOLERANCE_S - 1));
        let changed = Signed {
            payload: b"{}",
            ..signed(SIGNATURE)
        };
        assert!(!secret().verify(&changed, now_s));
        let other = Signed {
            id: "alarm-8",
            ..signed(SIGNATURE)
        };
        assert!(!secret().verify(&other, now_s));
        assert!(!secret().verify(&signed("v1,"), now_s));
        assert!(!secret().verify(&signed(""), now_s));
    }

    #[test]
    fn a_short_or_garbled_secret_is_refused_and_none_is_shown() {
        assert_eq!(Secret::parse("whsec_AAAA").unwrap_err(), BadSecret::Length);
        assert_eq!(Secret::parse("whsec_%%").unwrap_err(), BadSecret::Encoding);
        assert_eq!(format!("{:?}", secret()), "Secret(..)");
    }
}
