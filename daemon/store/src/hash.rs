//! The name of a stored text: the SHA-256 of its bytes.

use std::fmt;
use std::str::FromStr;

use rusqlite::types::{FromSql, FromSqlError, FromSqlResult, ToSql, ToSqlOutput, ValueRef};
use serde::{Serialize, Serializer};
use sha2::{Digest, Sha256};

/// SHA-256 of a text's UTF-8 bytes, shown as 64 lower-case hexadecimal digits: the same digits
/// that `sha256sum` prints for the file.
#[derive(Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct ContentHash([u8; 32]);

impl ContentHash {
    /// The hash of `text`.
    #[must_use]
    pub fn of(text: &str) -> Self {
        Self(Sha256::digest(text.as_bytes()).into())
    }
}

impl fmt::Display for ContentHash {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.0.iter().try_for_each(|byte| write!(f, "{byte:02x}"))
    }
}

impl fmt::Debug for ContentHash {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "ContentHash({self})")
    }
}

/// A text that is not a [`ContentHash`].
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("a content hash is 64 hexadecimal digits, found {found:?}")]
pub struct ContentHashError {
    /// The text as given.
    pub found: String,
}

impl FromStr for ContentHash {
    type Err = ContentHashError;

    fn from_str(text: &str) -> Result<Self, ContentHashError> {
        let wrong = || ContentHashError {
            found: text.to_owned(),
        };
        if text.len() != 64 {
            return Err(wrong());
        }
        let mut bytes = [0; 32];
        for (byte, digits) in bytes.iter_mut().zip(text.as_bytes().chunks_exact(2)) {
            *byte = digits
                .iter()
                .try_fold(0, |value, &digit| Some(value * 16 + hex_digit(digit)?))
                .ok_or_else(wrong)?;
        }
        Ok(Self(bytes))
    }
}

fn hex_digit(digit: u8) -> Option<u8> {
    match digit {
        b'0'..=b'9' => Some(digit - b'0'),
        b'a'..=b'f' => Some(digit - b'a' + 10),
        b'A'..=b'F' => Some(digit - b'A' + 10),
        _ => None,
    }
}

impl Serialize for ContentHash {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_str(self)
    }
}

impl ToSql for ContentHash {
    fn to_sql(&self) -> rusqlite::Result<ToSqlOutput<'_>> {
        Ok(self.to_string().into())
    }
}

impl FromSql for ContentHash {
    fn column_result(value: ValueRef<'_>) -> FromSqlResult<Self> {
        value
            .as_str()?
            .parse()
            .map_err(|error: ContentHashError| FromSqlError::Other(error.into()))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// FIPS 180-4 example messages (NIST "SHA256" example document): "abc", and the empty message.
    #[test]
    fn published_digests() {
        assert_eq!(
            ContentHash::of("abc").to_string(),
            "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
        );
        assert_eq!(
            ContentHash::of("").to_string(),
            "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855"
        );
    }

    #[test]
    fn reads_back_what_it_shows_and_refuses_the_rest() {
        let hash = ContentHash::of("main jet 105");
        assert_eq!(hash.to_string().parse(), Ok(hash));
        assert_eq!(hash.to_string().to_uppercase().parse(), Ok(hash));
        for wrong in [
            "",
            "ba78",
            &"g".repeat(64),
            &"0".repeat(65),
            &"é".repeat(32),
        ] {
            let error = wrong.parse::<ContentHash>().unwrap_err();
            assert_eq!(error.found, wrong);
        }
    }
}
