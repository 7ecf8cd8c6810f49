//! Checksums: SHA-256 of a file's bytes, and of a row's columns as SQLite holds them.

use rusqlite::types::{Value, ValueRef};
use sha2::{Digest, Sha256};
use std::fmt::Write;

/// SHA-256 of some bytes, 64 hexadecimal digits.
///
/// ```
/// assert!(lowspot::keep::seal::sha256(b"abc").starts_with("ba7816bf8f01cfea"));
/// ```
pub fn sha256(bytes: &[u8]) -> String {
    hex(&Sha256::digest(bytes))
}

/// The seal of a row: its table, then each column with its type and length.
pub(crate) fn of_row<'v>(table: &str, columns: impl Iterator<Item = ValueRef<'v>>) -> String {
    let mut hash = Sha256::new();
    part(&mut hash, b'@', table.as_bytes());
    for column in columns {
        match column {
            ValueRef::Null => part(&mut hash, b'n', b""),
            ValueRef::Integer(i) => part(&mut hash, b'i', &i.to_le_bytes()),
            ValueRef::Real(r) => part(&mut hash, b'r', &r.to_bits().to_le_bytes()),
            ValueRef::Text(t) => part(&mut hash, b't', t),
            ValueRef::Blob(b) => part(&mut hash, b'b', b),
        }
    }
    hex(&hash.finalize())
}

/// The same of values not yet written.
pub(crate) fn of_values(table: &str, columns: &[Value]) -> String {
    of_row(table, columns.iter().map(ValueRef::from))
}

fn part(hash: &mut Sha256, tag: u8, bytes: &[u8]) {
    hash.update([tag]);
    hash.update((bytes.len() as u64).to_le_bytes());
    hash.update(bytes);
}

fn hex(bytes: &[u8]) -> String {
    bytes.iter().fold(String::new(), |mut text, b| {
        let _ = write!(text, "{b:02x}");
        text
    })
}
