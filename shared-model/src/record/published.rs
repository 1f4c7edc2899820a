//! Published values for canonical form, digest, signature and leaf hash; sources in testdata/crypto/SOURCE.md.

use ed25519_dalek::{Signer, SigningKey};
use serde_json::Value;
use sha2::{Digest as _, Sha256};

use super::digest::fixed_hex;
use super::{Digest, PublicKey, RefusalCode, canonical, json, ledger_leaf, ledger_leaf_input};

/// The variable that names the folder in which `opendata/` stands.
const OPEN_DATA: &str = "WINDROW_OPEN_DATA";

fn rows(text: &str) -> Vec<csv::StringRecord> {
    csv::Reader::from_reader(text.as_bytes()).records().collect::<Result<_, _>>().expect("CSV")
}

fn objects(text: &str) -> Vec<Value> {
    serde_json::from_str(text).expect("JSON")
}

#[track_caller]
fn text(value: &Value, name: &str) -> String {
    value[name].as_str().unwrap_or_else(|| panic!("no `{name}` in {value}")).to_owned()
}

/// Canonical form by the way that a document takes: bytes, strict value, canonical bytes.
fn canonical_of(document: &str) -> String {
    let value = json::read(document.as_bytes(), usize::MAX).expect("I-JSON");
    String::from_utf8(canonical::to_bytes(&value).expect("canonical")).expect("UTF-8")
}

#[test]
fn rfc_8785_appendix_b_numbers() {
    let rows = rows(include_str!("../../testdata/crypto/rfc8785_numbers.csv"));
    assert_eq!(rows.len(), 26);
    for row in rows {
        let value = f64::from_bits(u64::from_str_radix(&row[0], 16).expect("hex"));
        match canonical::to_bytes(&value) {
            Ok(bytes) => {
                assert_eq!(String::from_utf8_lossy(&bytes), row[1], "{row:?}");
                // The printed text is read back to the same bits, so that a digest survives a second reader.
                let again: f64 = serde_json::from_slice(&bytes).expect("a number");
                assert_eq!(again, value, "{row:?}");
            }
            Err(_) => assert!(row[1].is_empty(), "{row:?}"),
        }
    }
}

#[test]
fn rfc_8785_section_3_objects() {
    let samples = objects(include_str!("../../testdata/crypto/rfc8785_objects.json"));
    assert_eq!(samples.len(), 2);
    for sample in samples {
        // The samples hold control characters and 1E30, which a record may not; so not through the strict reader.
        let value: Value = serde_json::from_str(&text(&sample, "input")).expect("JSON");
        let bytes = canonical::to_bytes(&value).expect("canonical");
        assert_eq!(String::from_utf8_lossy(&bytes), text(&sample, "canonical"));
        assert_eq!(Digest::of(&bytes).to_hex(), text(&sample, "canonical_sha256"));
    }
}

#[test]
fn rfc_8785_public_test_folder_where_present() {
    let Some(folder) = std::env::var_os(OPEN_DATA) else {
        eprintln_left_out("the six cases of the RFC 8785 public test folder");
        return;
    };
    let path = std::path::Path::new(&folder).join("opendata/rfc8785_testdata.json");
    let found = std::fs::read_to_string(&path).unwrap_or_else(|e| panic!("{}: {e}", path.display()));
    let cases = objects(&found);
    assert!(cases.len() >= 6, "{} cases", cases.len());
    for case in cases {
        let value: Value = serde_json::from_str(&text(&case, "input")).expect("JSON");
        let bytes = canonical::to_bytes(&value).expect("canonical");
        assert_eq!(String::from_utf8_lossy(&bytes), text(&case, "canonical"), "{}", case["name"]);
        assert_eq!(Digest::of(&bytes).to_hex(), text(&case, "canonical_sha256"), "{}", case["name"]);
    }
}

fn eprintln_left_out(what: &str) {
    eprintln!("left out, {OPEN_DATA} is not set: {what}");
}

#[test]
fn names_are_sorted_by_utf_16_units() {
    // U+1F600 is above U+FB33, but its first UTF-16 unit, D83D, is below it (RFC 8785 section 3.2.3).
    assert_eq!(canonical_of("{\"\u{fb33}\": 1, \"\u{1f600}\": -0.0}"), "{\"\u{1f600}\":0,\"\u{fb33}\":1}");
}

#[test]
fn fips_180_4_and_cavp_sha_256() {
    let rows = rows(include_str!("../../testdata/crypto/sha256.csv"));
    assert_eq!(rows.len(), 68);
    for row in rows {
        let message = hex::decode(&row[1]).expect("hex").repeat(row[2].parse().expect("a count"));
        assert_eq!(Digest::of(&message).to_hex(), row[3], "{}: {}", &row[0], &row[1]);
        let (head, tail) = message.split_at(message.len() / 3);
        assert_eq!(Digest::of_parts(&[head, tail]), Digest::of(&message));
    }
}

#[test]
fn rfc_8032_signatures() {
    let vectors = objects(include_str!("../../testdata/crypto/ed25519.json"));
    assert!(vectors.len() >= 10, "{}", vectors.len());
    for vector in vectors {
        let secret = fixed_hex(&text(&vector, "secret_key"), "secret_key").expect("hex");
        let key = PublicKey::from_hex(&text(&vector, "public_key"), "public_key").expect("a good key");
        let message = hex::decode(text(&vector, "message")).expect("hex");
        let signature: [u8; 64] = fixed_hex(&text(&vector, "signature"), "signature").expect("hex");
        let signing_key = SigningKey::from_bytes(&secret);
        assert_eq!(signing_key.verifying_key().to_bytes(), key.to_bytes(), "{}", vector["name"]);
        assert_eq!(signing_key.sign(&message).to_bytes(), signature, "{}", vector["name"]);
        key.verify(&message, &signature, "signature").expect("the published signature");
        for bit in [0, 255, 256, 511] {
            let mut wrong = signature;
            wrong[bit / 8] ^= 1 << (bit % 8);
            let refusal = key.verify(&message, &wrong, "signature").expect_err("another signature");
            assert_eq!(refusal.code, RefusalCode::BadSignature);
        }
    }
}

/// A signature whose second half is raised by the group's order holds for a lax verifier (RFC 8032 section 5.1.7
/// forbids it); a record would then have two documents.
#[test]
fn a_malleable_signature_is_refused() {
    const GROUP_ORDER_LITTLE_ENDIAN: &str =
        "edd3f55c1a631258d69cf7a2def9de1400000000000000000000000000000010";
    let order: [u8; 32] = fixed_hex(GROUP_ORDER_LITTLE_ENDIAN, "order").expect("hex");
    let key = SigningKey::from_bytes(&[3; 32]);
    let mut signature = key.sign(b"message").to_bytes();
    let mut carry = 0_u16;
    for (s, l) in signature[32..].iter_mut().zip(order) {
        let sum = u16::from(*s) + u16::from(l) + carry;
        *s = (sum & 0xff) as u8;
        carry = sum >> 8;
    }
    let public = PublicKey::from_bytes(&key.verifying_key().to_bytes(), "public_key").expect("a good key");
    public.verify(b"message", &signature, "signature").expect_err("malleable");
}

#[test]
fn rfc_6962_leaf_hash() {
    let sample: Value =
        serde_json::from_str(include_str!("../../testdata/crypto/merkle_rfc6962.json")).expect("JSON");
    // The sample's first leaf is empty; a tree of one leaf has the leaf's hash as its root.
    assert_eq!(sample["leaves_hex"][0], "");
    let zero_byte_alone = Digest::of_parts(&[&[0x00], b""]);
    assert_eq!(sample["roots_by_size"][1], zero_byte_alone.to_hex());

    let digest = Digest::of(b"a record");
    let input = ledger_leaf_input(digest, 0x0102_0304_0506_0708);
    assert_eq!(input[..15], *b"windrow-leaf/1\n");
    assert_eq!(input[15..47], digest.0);
    assert_eq!(input[47..], [1, 2, 3, 4, 5, 6, 7, 8]);
    let by_hand: [u8; 32] = Sha256::digest([&[0_u8][..], &input].concat()).into();
    assert_eq!(ledger_leaf(digest, 0x0102_0304_0506_0708).0, by_hand);
}
