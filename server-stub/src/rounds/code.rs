//! The code on a work sheet: short enough to type on a phone, with a letter that tells a slip of the finger.
//!
//! Six letters stand for 30 bits of a digest of the device id, so that a code needs no store and stays the same; the
//! seventh is their sum, each times its place, modulo 31, so that one wrong letter or two neighbours exchanged are told.
//! The letters are those of Crockford's base 32 (no I, L, O, U; cited from memory), of which the last letter uses 31.
//! It names a laptop and opens nothing: whoever types it must have signed in.

use sha2::{Digest as _, Sha256};

const LETTERS: &[u8; 32] = b"0123456789ABCDEFGHJKMNPQRSTVWXYZ";
/// Letters without the last.
const N_LETTERS: usize = 6;
/// The largest prime that the letters can tell.
const MODULUS: usize = 31;

/// The code of a laptop, `K7Q-M2X4`.
pub fn code_of(device_id: &str) -> String {
    let digest = Sha256::digest(format!("windrow-sheet-code/1\n{device_id}"));
    let bits = digest.iter().take(4).fold(0_u32, |bits, byte| (bits << 8) | u32::from(*byte));
    let values: Vec<usize> = (0..N_LETTERS).map(|n| (bits >> (5 * n)) as usize % 32).collect();
    let mut code: String = values.iter().map(|v| char::from(LETTERS[*v])).collect();
    code.push(char::from(LETTERS[last_of(&values)]));
    code.insert(3, '-');
    code
}

fn last_of(values: &[usize]) -> usize {
    values.iter().zip(1..).map(|(value, place)| value * place).sum::<usize>() % MODULUS
}

/// A code as typed, in its own form: any case, with or without the hyphen, O for 0, I and L for 1. `None`: it is none, or
/// mistyped.
pub fn read(typed: &str) -> Option<String> {
    let mut values = Vec::with_capacity(N_LETTERS + 1);
    for letter in typed.chars().filter(|c| !c.is_whitespace() && *c != '-') {
        let letter = match letter.to_ascii_uppercase() {
            'O' => '0',
            'I' | 'L' => '1',
            other => other,
        };
        values.push(LETTERS.iter().position(|l| char::from(*l) == letter)?);
        if values.len() > N_LETTERS + 1 {
            return None;
        }
    }
    let (last, first) = values.split_last().filter(|(_, first)| first.len() == N_LETTERS)?;
    if last_of(first) != *last {
        return None;
    }
    let mut code: String = values.iter().map(|v| char::from(LETTERS[*v])).collect();
    code.insert(3, '-');
    Some(code)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_code_is_read_back_however_it_is_typed() {
        for n in 0..500 {
            let code = code_of(&format!("device {n}"));
            assert_eq!(code.len(), 8);
            assert_eq!(read(&code).as_deref(), Some(&code[..]));
            let typed = code.replace('-', " ").replace('0', "o").replace('1', "l").to_lowercase();
            assert_eq!(read(&typed).as_deref(), Some(&code[..]), "{typed}");
        }
    }

    #[test]
    fn nearly_every_slip_is_told() {
        let letters: Vec<char> = LETTERS.iter().map(|l| char::from(*l)).collect();
        let (mut n_slips, mut n_missed) = (0, 0);
        for n in 0..20 {
            let code: Vec<char> = code_of(&format!("device {n}")).chars().filter(|c| *c != '-').collect();
            for place in 0..code.len() {
                for letter in letters.iter().filter(|l| **l != code[place]) {
                    let mut slip = code.clone();
                    slip[place] = *letter;
                    n_slips += 1;
                    n_missed += usize::from(read(&slip.iter().collect::<String>()).is_some());
                }
            }
            for place in 1..code.len() - 1 {
                let mut slip = code.clone();
                slip.swap(place - 1, place);
                let is_same = slip == code;
                n_slips += 1;
                n_missed += usize::from(!is_same && read(&slip.iter().collect::<String>()).is_some());
            }
        }
        // 0 and Z are 31 apart, which the last letter cannot tell.
        assert!(n_missed * 100 < n_slips, "{n_missed} of {n_slips}");
    }

    #[test]
    fn what_is_no_code_is_none() {
        for typed in ["", "A-1042", "K7Q-M2X", "K7Q-M2X44", "K7Q-M2Xé", "UUU-UUUU", &"A".repeat(10_000)] {
            assert_eq!(read(typed), None, "{typed}");
        }
    }
}
