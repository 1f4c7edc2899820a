//! Invites: a random token that lets some laptops join, shown once and stored as a hash.

use windrow_model::record::Digest;

/// Random bytes in a token.
const TOKEN_BYTES: usize = 20;
/// First characters of a token, so that a person knows what it is when it turns up somewhere.
const TOKEN_PREFIX: &str = "wi-";

/// A new token.
///
/// # Errors
/// If the system gives no randomness.
pub fn new_token() -> Result<String, getrandom::Error> {
    let mut bytes = [0_u8; TOKEN_BYTES];
    getrandom::fill(&mut bytes)?;
    Ok(format!("{TOKEN_PREFIX}{}", hex::encode(bytes)))
}

/// What the store keeps of a token. It has 160 random bits, so that a plain hash cannot be searched.
pub fn hash(token: &str) -> Digest {
    Digest::of(token.trim().as_bytes())
}
