//! Web Push's two documents: the encrypted message (RFC 8291, one `aes128gcm` record of RFC 8188)
//! and the sender's proof (RFC 8292). No I/O.

use aes_gcm::Aes128Gcm;
use aes_gcm::aead::{Aead, KeyInit};
use base64::Engine as _;
use base64::engine::general_purpose::URL_SAFE_NO_PAD as BASE64;
use hkdf::Hkdf;
use p256::ecdsa::signature::Signer as _;
use p256::ecdsa::{Signature, SigningKey};
use p256::elliptic_curve::sec1::ToSec1Point as _;
use p256::{PublicKey, SecretKey};
use serde_json::json;
use sha2::Sha256;

/// The one record's size as the header says it; push services take 4096 bytes in all (RFC 8030).
const RECORD_SIZE: u32 = 4096;
/// The longest plaintext: what is left of 4096 bytes after header (86), tag (16) and delimiter.
pub const LONGEST: usize = 4096 - 86 - 16 - 1;
/// How long a proof holds, s (RFC 8292: at most 24 hours).
const PROOF_S: i64 = 12 * 3600;

/// Encrypts for one subscription. `salt` and `sender` are fresh for every message.
///
/// # Errors
/// If the subscription's keys are none, or the text is too long.
pub fn encrypt(
    text: &[u8],
    receiver_key: &[u8],
    receiver_auth: &[u8],
    sender: &SecretKey,
    salt: &[u8; 16],
) -> Result<Vec<u8>, String> {
    if text.len() > LONGEST {
        return Err(format!(
            "the message has {} bytes, {LONGEST} fit",
            text.len()
        ));
    }
    if receiver_auth.len() != 16 {
        return Err("the subscription's `auth` is not 16 bytes long".to_owned());
    }
    let receiver = PublicKey::from_sec1_bytes(receiver_key)
        .map_err(|_| "the subscription's `p256dh` is no key".to_owned())?;
    let sender_public = public_bytes(sender);
    let shared = sender.diffie_hellman(&receiver);

    // RFC 8291, section 3.4.
    let mut key_info = b"WebPush: info\0".to_vec();
    key_info.extend_from_slice(receiver_key);
    key_info.extend_from_slice(&sender_public);
    let mut key = [0; 32];
    expand(
        receiver_auth,
        shared.raw_secret_bytes(),
        &key_info,
        &mut key,
    )?;
    let mut content_key = [0; 16];
    expand(
        salt,
        &key,
        b"Content-Encoding: aes128gcm\0",
        &mut content_key,
    )?;
    let mut nonce = [0; 12];
    expand(salt, &key, b"Content-Encoding: nonce\0", &mut nonce)?;

    // RFC 8188: the delimiter 2 ends the last record.
    let mut record = text.to_vec();
    record.push(2);
    let cipher = Aes128Gcm::new(&content_key.into());
    let sealed = cipher
        .encrypt(&nonce.into(), record.as_slice())
        .map_err(|_| "the message could not be encrypted".to_owned())?;

    let mut body = salt.to_vec();
    body.extend_from_slice(&RECORD_SIZE.to_be_bytes());
    // An uncompressed point has 65 bytes.
    body.push(65);
    body.extend_from_slice(&sender_public);
    body.extend_from_slice(&sealed);
    Ok(body)
}

fn expand(salt: &[u8], key: &[u8], info: &[u8], out: &mut [u8]) -> Result<(), String> {
    Hkdf::<Sha256>::new(Some(salt), key)
        .expand(info, out)
        .map_err(|_| "a key could not be derived".to_owned())
}

/// A key's public half, uncompressed.
#[must_use]
pub fn public_bytes(key: &SecretKey) -> Vec<u8> {
    key.public_key().to_sec1_point(false).as_bytes().to_vec()
}

/// A new key.
#[must_use]
pub fn fresh_key() -> SecretKey {
    loop {
        // All but about one in 2^32 of the random numbers are keys.
        if let Ok(key) = SecretKey::from_slice(&rand::random::<[u8; 32]>()) {
            return key;
        }
    }
}

/// The `Authorization` header that proves who sends: `audience` is the push service's origin,
/// `now_s` seconds since 1970.
#[must_use]
pub fn proof(key: &SecretKey, audience: &str, contact: &str, now_s: i64) -> String {
    let part = |value: serde_json::Value| BASE64.encode(value.to_string());
    let claims = format!(
        "{}.{}",
        part(json!({ "typ": "JWT", "alg": "ES256" })),
        part(json!({ "aud": audience, "exp": now_s + PROOF_S, "sub": contact }))
    );
    let signature: Signature = SigningKey::from(key).sign(claims.as_bytes());
    format!(
        "vapid t={claims}.{}, k={}",
        BASE64.encode(signature.to_bytes()),
        BASE64.encode(public_bytes(key))
    )
}

#[cfg(test)]
mod tests {
    use super::*;
    use p256::ecdsa::VerifyingKey;
    use p256::ecdsa::signature::Verifier as _;

    fn bytes(text: &str) -> Vec<u8> {
        BASE64.decode(text).unwrap()
    }

    /// RFC 8291, section 5 and appendix A, byte for byte.
    #[test]
    fn the_rfcs_own_example_comes_out() {
        let sender =
            SecretKey::from_slice(&bytes("yfWPiYE-n46HLnH0KqZOF1fJJU3MYrct3AELtAQ-oRw")).unwrap();
        let body = encrypt(
            b"When I grow up, I want to be a watermelon",
            &bytes("BCVxsr7N_eNgVRqvHtD0zTZsEc6-VV-JvLexhqUzORcxaOzi6-AYWXvTBHm4bjyPjs7Vd8pZGH6SRpkNtoIAiw4"),
            &bytes("BTBZMqHH6r4Tts7J_aSIgg"),
            &sender,
            &bytes("DGv6ra1nlYgDCS1FRnbzlw").try_into().unwrap(),
        )
        .unwrap();
        assert_eq!(
            BASE64.encode(body),
            "DGv6ra1nlYgDCS1FRnbzlwAAEABBBP4z9KsN6nGRTbVYI_c7VJSPQTBtkgcy27mlmlMoZIIgDll6e3vCYLoc\
             InmYWAmS6TlzAC8wEqKK6PBru3jl7A_yl95bQpu6cVPTpK4Mqgkf1CXztLVBSt2Ks3oZwbuwXPXLWyouBWLVWG\
             NWQexSgSxsj_Qulcy4a-fN"
        );
    }

    /// RFC 8292, section 2: an ES256 token whose signature the stated key verifies, for the push
    /// service's origin, for at most 24 hours.
    #[test]
    fn the_proof_is_verified_by_its_own_key() {
        let key = fresh_key();
        let header = proof(
            &key,
            "https://push.example",
            "mailto:baker@dough.example",
            1_000,
        );
        let (token, public) = header
            .strip_prefix("vapid t=")
            .unwrap()
            .split_once(", k=")
            .unwrap();
        let (signed, signature) = token.rsplit_once('.').unwrap();
        let verifying = VerifyingKey::from_sec1_bytes(&bytes(public)).unwrap();
        let signature = Signature::from_slice(&bytes(signature)).unwrap();
        verifying.verify(signed.as_bytes(), &signature).unwrap();
        let claims: serde_json::Value =
            serde_json::from_slice(&bytes(signed.split_once('.').unwrap().1)).unwrap();
        assert_eq!(claims["aud"], "https://push.example");
        assert!(claims["exp"].as_i64().unwrap() <= 1_000 + 24 * 3600);
        assert!(claims["sub"].as_str().unwrap().starts_with("mailto:"));
    }

    #[test]
    fn bad_keys_and_long_messages_are_refused() {
        let key = fresh_key();
        let public = public_bytes(&key);
        assert!(encrypt(b"x", &public[1..], &[0; 16], &key, &[0; 16]).is_err());
        assert!(encrypt(b"x", &public, &[0; 15], &key, &[0; 16]).is_err());
        assert!(encrypt(&[0; LONGEST + 1], &public, &[0; 16], &key, &[0; 16]).is_err());
        assert_eq!(
            encrypt(&[0; LONGEST], &public, &[0; 16], &key, &[0; 16])
                .unwrap()
                .len(),
            4096
        );
    }
}
