//! How a receiver knows that a message is ours: the symmetric scheme of the Standard Webhooks specification 1.0.0
//! (section "Verifying webhook authenticity"): HMAC-SHA-256 over `{id}.{timestamp}.{body}`, in the headers `webhook-id`,
//! `webhook-timestamp` (seconds since 1970) and `webhook-signature` (`v1,` and base64).

use base64::{Engine as _, engine::general_purpose::STANDARD};
use hmac::{Hmac, KeyInit as _, Mac as _};
use sha2::Sha256;

/// What a secret as text begins with, by the specification.
const PREFIX: &str = "whsec_";
/// Least and most bytes of a secret, by the specification: 192 to 512 bits.
const SECRET_BYTES: std::ops::RangeInclusive<usize> = 24..=64;

/// Reads a secret: `whsec_` and base64, as the specification writes it.
pub(crate) fn read_secret(text: &str) -> Result<Vec<u8>, String> {
    let text = text.trim();
    let encoded = text
        .strip_prefix(PREFIX)
        .ok_or("does not hold a secret that begins with `whsec_`: make one with `printf 'whsec_%s\\n' \"$(head -c 32 /dev/urandom | base64)\"`")?;
    let secret = STANDARD
        .decode(encoded)
        .map_err(|error| format!("holds a secret that is no base64 after `whsec_`: {error}"))?;
    if SECRET_BYTES.contains(&secret.len()) {
        return Ok(secret);
    }
    Err(format!(
        "holds a secret of {} bytes: give 24 to 64 random ones",
        secret.len()
    ))
}

/// Returns the value of `webhook-signature`.
pub(crate) fn sign(secret: &[u8], id: &str, timestamp_s: i64, body: &[u8]) -> String {
    let Ok(mut mac) = Hmac::<Sha256>::new_from_slice(secret) else {
        // HMAC takes keys of every length.
        return String::new();
    };
    mac.update(format!("{id}.{timestamp_s}.").as_bytes());
    mac.update(body);
    format!("v1,{}", STANDARD.encode(mac.finalize().into_bytes()))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The example of the specification's own libraries (`testSignFunctionWorks`).
    #[test]
    fn signs_the_published_example() {
        let secret = read_secret("whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw\n").unwrap();
        let signature = sign(
            &secret,
            "msg_p5jXN8AQM9LWM0D4loKWxJek",
            1_614_265_330,
            br#"{"test": 2432232314}"#,
        );
        assert_eq!(signature, "v1,g0hM9SsE+OTPJTGt/tmIKtSyZlE3uFJELVlNIOLJ1OE=");
    }

    #[test]
    fn secrets_that_are_none_are_told() {
        for (text, words) in [
            ("", "whsec_"),
            ("hunter2", "whsec_"),
            ("whsec_%%%", "no base64"),
            ("whsec_aGVsbG8=", "5 bytes"),
        ] {
            assert!(read_secret(text).unwrap_err().contains(words), "{text}");
        }
    }
}
