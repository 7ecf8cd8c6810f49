//! Text of the user's files: read whole and checked for UTF-8 before anything is made of it, places
//! in it by line and column, and the nearest known word to a misspelt one.

use crate::problem::Fault;
use std::borrow::Cow;
use std::io::Read;
use std::path::Path;

/// Most faults listed for one file; the rest are counted.
pub const MOST_FAULTS: usize = 100;

/// A file as it was read: the name under which messages tell of it, and its bytes.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Given {
    /// Its name as the user wrote it, or as the job book holds it.
    pub name: String,
    /// Its bytes.
    pub bytes: Vec<u8>,
}

/// Reads a whole text file of at most `most_bytes`.
///
/// A byte-order mark is dropped. What the shell pipes in is read too; what it gives beyond the
/// bound is refused.
///
/// # Errors
/// One [`Fault`]: no such file, a folder, a pipe, too large, not readable, empty, or not UTF-8.
pub fn read(path: &Path, most_bytes: u64) -> Result<String, Fault> {
    let given = given(path, most_bytes)?;
    decode(&given.bytes, &given.name).map(str::to_string)
}

/// Reads the bytes of a file that should hold text.
///
/// # Errors
/// One [`Fault`]: no such file, a folder, too large, not readable.
pub fn given(path: &Path, most_bytes: u64) -> Result<Given, Fault> {
    let file = path.display().to_string();
    let whole = |message: String| Fault {
        file: file.clone(),
        line: 0,
        column: 0,
        message,
    };
    let too_large = || {
        whole(format!(
            "is larger than {} MB, the most that is read; is it the right file?",
            most_bytes / 1_000_000
        ))
    };
    let about = std::fs::metadata(path).map_err(|cause| whole(unreadable(&cause)))?;
    if about.is_dir() {
        return Err(whole(
            "is a folder, not a file; name the file inside it".into(),
        ));
    }
    if let Some(what) = no_file(path, &about) {
        return Err(whole(what.into()));
    }
    if about.len() > most_bytes {
        return Err(too_large());
    }
    let mut bytes = Vec::new();
    std::fs::File::open(path)
        .and_then(|f| f.take(most_bytes + 1).read_to_end(&mut bytes))
        .map_err(|cause| whole(unreadable(&cause)))?;
    if bytes.len() as u64 > most_bytes {
        return Err(too_large());
    }
    Ok(Given { name: file, bytes })
}

/// Why something that is neither a file nor a folder is not read: a pipe in a folder waits for ever
/// if nobody writes into it, a device never ends. What the shell pipes in itself, as `/dev/stdin`
/// or `<(…)`, ends and is read.
pub(crate) fn no_file(path: &Path, about: &std::fs::Metadata) -> Option<&'static str> {
    let piped = ["/dev/fd/", "/proc/self/fd/", "/dev/stdin"]
        .iter()
        .any(|begin| path.starts_with(begin.trim_end_matches('/')));
    match about.is_file() || piped {
        true => None,
        false => {
            Some("is a pipe or a device, not a file; copy what it holds into a file and name that")
        }
    }
}

/// What the system said about a file that cannot be opened, with what to do.
pub(crate) fn unreadable(cause: &std::io::Error) -> String {
    match cause.kind() {
        std::io::ErrorKind::NotFound => {
            "no such file; check the name and the folder it is in".into()
        }
        std::io::ErrorKind::PermissionDenied => {
            "cannot be read: permission denied; change its permissions or copy it".into()
        }
        _ => format!("cannot be read: {cause}"),
    }
}

/// Reads the bytes of a text file that a person wrote: as [`given`], and nothing in it may be
/// hidden from the eye.
///
/// # Errors
/// As [`given`]; the place of the first hidden character. Lines that are remarks (`#`) may hold
/// any.
pub fn typed(path: &Path, most_bytes: u64) -> Result<Given, Fault> {
    let given = given(path, most_bytes)?;
    // What is no text at all is told when it is decoded.
    if let Ok(text) = std::str::from_utf8(&given.bytes)
        && not_text(&given.bytes).is_none()
    {
        all_seen(text, &given.name)?;
    }
    Ok(given)
}

/// The same as text.
///
/// # Errors
/// As [`typed`] and [`decode`].
pub fn read_typed(path: &Path, most_bytes: u64) -> Result<String, Fault> {
    let given = typed(path, most_bytes)?;
    decode(&given.bytes, &given.name).map(str::to_string)
}

/// That no character of a text is hidden from the eye, remarks left out: with such characters two
/// names look like one, and a terminal can be made to show what is not there.
///
/// # Errors
/// One [`Fault`] at the first.
pub fn all_seen(text: &str, file: &str) -> Result<(), Fault> {
    let text = text.strip_prefix('\u{FEFF}').unwrap_or(text);
    for (number, line) in lines(text) {
        if line.trim_start().starts_with('#') {
            continue;
        }
        if let Some((at, c)) = line.chars().enumerate().find(|(_, c)| is_hidden(*c)) {
            return Err(Fault {
                file: file.to_string(),
                line: number,
                column: at + 1,
                message: format!(
                    "holds the character {}, which cannot be seen; take it out (type the words around it anew)",
                    code_of(c)
                ),
            });
        }
    }
    Ok(())
}

/// The same fault of a file's name.
pub(crate) fn of_name(fault: Fault) -> Fault {
    Fault {
        line: 0,
        column: 0,
        message: format!("its name {}", fault.message),
        ..fault
    }
}

/// Whether a character cannot be seen, or turns about what is seen: control characters but tab and
/// line ends, marks of writing direction, zero-width characters, fillers, tags (Unicode 16, general
/// categories Cc and Cf and Default_Ignorable_Code_Point; from memory).
///
/// ```
/// use lowspot::text::is_hidden;
/// assert!(is_hidden('\x1b') && is_hidden('\u{202E}') && is_hidden('\u{200B}'));
/// assert!(!is_hidden('é') && !is_hidden('\u{A0}') && !is_hidden('\t'));
/// ```
pub fn is_hidden(c: char) -> bool {
    match c {
        '\n' | '\r' | '\t' => false,
        c if c.is_control() => true,
        '\u{AD}' | '\u{34F}' | '\u{61C}' | '\u{115F}' | '\u{1160}' | '\u{17B4}' | '\u{17B5}' => {
            true
        }
        '\u{180B}'..='\u{180F}' | '\u{200B}'..='\u{200F}' | '\u{2028}'..='\u{202E}' => true,
        '\u{2060}'..='\u{206F}' | '\u{3164}' | '\u{FEFF}' | '\u{FFA0}' => true,
        '\u{FFF0}'..='\u{FFFB}' | '\u{1D173}'..='\u{1D17A}' | '\u{E0000}'..='\u{E0FFF}' => true,
        _ => false,
    }
}

fn code_of(c: char) -> String {
    format!("U+{:04X}", u32::from(c))
}

/// A text as it may be shown on a terminal: what is hidden in it is written out, "<U+001B>".
///
/// ```
/// assert_eq!(lowspot::text::visible("a\x1b[2Jb\n"), "a<U+001B>[2Jb\n");
/// ```
pub fn visible(text: &str) -> Cow<'_, str> {
    if !text.chars().any(|c| is_hidden(c) || c == '\r') {
        return Cow::Borrowed(text);
    }
    let mut shown = String::with_capacity(text.len() + 16);
    let mut letters = text.chars().peekable();
    while let Some(c) = letters.next() {
        // A bare carriage return begins the line anew and hides what stood there.
        let bare = c == '\r' && letters.peek() != Some(&'\n');
        if is_hidden(c) || bare {
            shown.push_str(&format!("<{}>", code_of(c)));
        } else {
            shown.push(c);
        }
    }
    Cow::Owned(shown)
}

/// JSON as it may be shown on a terminal: what is hidden in its strings is escaped as JSON has it,
/// so it reads the same.
pub fn visible_json(json: &str) -> String {
    let mut shown = String::with_capacity(json.len());
    for c in json.chars() {
        if is_hidden(c) {
            let mut units = [0; 2];
            for unit in c.encode_utf16(&mut units) {
                shown.push_str(&format!("\\u{unit:04x}"));
            }
        } else {
            shown.push(c);
        }
    }
    shown
}

/// The bytes of a file as text, without a byte-order mark.
///
/// # Errors
/// One [`Fault`] at the line and column of the first byte that is not UTF-8, or about the whole
/// file when it is empty or plainly something other than text (a workbook, a picture, a PDF,
/// UTF-16).
///
/// ```
/// let fault = lowspot::text::decode(b"A1\nfa\xE7ade", "roof.txt").unwrap_err();
/// assert_eq!((fault.line, fault.column), (2, 3));
/// ```
pub fn decode<'a>(bytes: &'a [u8], file: &str) -> Result<&'a str, Fault> {
    let fault = |line, column, message: String| Fault {
        file: file.to_string(),
        line,
        column,
        message,
    };
    if let Some(kind) = not_text(bytes) {
        return Err(fault(0, 0, kind.to_string()));
    }
    let bytes = bytes.strip_prefix(b"\xEF\xBB\xBF").unwrap_or(bytes);
    if bytes.iter().all(u8::is_ascii_whitespace) {
        return Err(fault(0, 0, "is empty; nothing was read from it".into()));
    }
    std::str::from_utf8(bytes).map_err(|cause| {
        let sound = bytes
            .get(..cause.valid_up_to())
            .and_then(|b| std::str::from_utf8(b).ok())
            .unwrap_or("");
        let (line, column) = place(sound, sound.len());
        let byte = bytes.get(cause.valid_up_to()).copied().unwrap_or(0);
        fault(
            line,
            column,
            format!("byte 0x{byte:02X} is not UTF-8 text; save the file as plain text in UTF-8"),
        )
    })
}

fn not_text(bytes: &[u8]) -> Option<&'static str> {
    const KINDS: [(&[u8], &str); 7] = [
        (
            b"PK\x03\x04",
            "is a spreadsheet workbook (or a zip file), not text; save the sheet as CSV and name that",
        ),
        (
            b"\xD0\xCF\x11\xE0",
            "is an old spreadsheet or document file, not text; save the sheet as CSV and name that",
        ),
        (b"\x89PNG", "is a picture, not text; name the readings file"),
        (
            b"\xFF\xD8\xFF",
            "is a picture, not text; name the readings file",
        ),
        (b"%PDF", "is a PDF, not text; name the readings file"),
        (
            b"\xFF\xFE",
            "is saved as UTF-16; save it as plain text in UTF-8",
        ),
        (
            b"\xFE\xFF",
            "is saved as UTF-16; save it as plain text in UTF-8",
        ),
    ];
    KINDS
        .iter()
        .find(|(start, _)| bytes.starts_with(start))
        .map(|(_, kind)| *kind)
}

/// Line and column (in characters), both from 1, of a byte of a text; a place past the end is the
/// end.
pub fn place(text: &str, byte: usize) -> (usize, usize) {
    let mut byte = byte.min(text.len());
    while !text.is_char_boundary(byte) {
        byte -= 1;
    }
    let before = text.get(..byte).unwrap_or("");
    let line = before.matches('\n').count() + 1;
    let column = before
        .rsplit('\n')
        .next()
        .map_or(0, |last| last.chars().count())
        + 1;
    (line, column)
}

/// Lines with their numbers from 1, whichever way they end (LF, CR LF, or CR alone).
pub fn lines(text: &str) -> impl Iterator<Item = (usize, &str)> {
    let old_mac = !text.contains('\n');
    text.split(move |c| c == '\n' || old_mac && c == '\r')
        .enumerate()
        .map(|(i, l)| (i + 1, l.strip_suffix('\r').unwrap_or(l)))
}

/// The known word nearest to `word`, if it is near enough to be a slip: at most one change in words
/// up to four letters, two in longer ones; capitals and `_` for `-` count for nothing.
///
/// ```
/// assert_eq!(lowspot::text::closest("lenght", ["length", "width"]), Some("length"));
/// assert_eq!(lowspot::text::closest("colour", ["length", "width"]), None);
/// ```
pub fn closest<'a>(word: &str, known: impl IntoIterator<Item = &'a str>) -> Option<&'a str> {
    let plain = |w: &str| -> Vec<char> {
        w.chars()
            .take(64)
            .flat_map(char::to_lowercase)
            .map(|c| if c == '-' || c == ' ' { '_' } else { c })
            .collect()
    };
    let word = plain(word);
    known
        .into_iter()
        .map(|k| (changes(&word, &plain(k)), k))
        .filter(|(n, k)| *n <= if k.len() <= 4 { 1 } else { 2 })
        .min_by_key(|(n, _)| *n)
        .map(|(_, k)| k)
}

/// Letters to change, add, drop or swap with their neighbour to turn one word into the other
/// (optimal string alignment distance).
fn changes(a: &[char], b: &[char]) -> usize {
    let width = b.len() + 1;
    let mut table = vec![0; (a.len() + 1) * width];
    for i in 0..=a.len() {
        for j in 0..=b.len() {
            let at = i * width + j;
            table[at] = if i == 0 || j == 0 {
                i + j
            } else {
                let differs = usize::from(a[i - 1] != b[j - 1]);
                let mut least = (table[at - width] + 1)
                    .min(table[at - 1] + 1)
                    .min(table[at - width - 1] + differs);
                if i > 1 && j > 1 && a[i - 1] == b[j - 2] && a[i - 2] == b[j - 1] {
                    least = least.min(table[at - 2 * width - 2] + 1);
                }
                least
            };
        }
    }
    table.last().copied().unwrap_or(0)
}

/// "; did you mean X?" for a near miss, else nothing.
pub fn did_you_mean<'a>(word: &str, known: impl IntoIterator<Item = &'a str>) -> String {
    closest(word, known).map_or(String::new(), |k| format!("; did you mean {k}?"))
}

/// A value as quoted in a message: control characters blanked, no longer than 40 characters.
pub fn quoted(value: &str) -> String {
    let mut shown: String = value
        .chars()
        .take(40)
        .map(|c| {
            if is_hidden(c) || c.is_control() {
                ' '
            } else {
                c
            }
        })
        .collect();
    if value.chars().count() > 40 {
        shown.push('…');
    }
    format!("\"{shown}\"")
}

/// A number of mm for a message: up to two decimals, no trailing zeros ("609.6", "50").
pub fn plain_mm(mm: f64) -> String {
    let text = format!("{mm:.2}");
    let text = text.trim_end_matches('0').trim_end_matches('.');
    if text == "-0" {
        "0".into()
    } else {
        text.into()
    }
}

/// The faults of one file, gathered; past [`MOST_FAULTS`] they are only counted.
#[derive(Debug)]
pub struct Faults {
    file: String,
    list: Vec<Fault>,
    more: usize,
}

impl Faults {
    /// None so far.
    pub fn of(file: &str) -> Self {
        Faults {
            file: file.to_string(),
            list: Vec::new(),
            more: 0,
        }
    }

    /// One more, at a line and column (0: the whole file, the whole line).
    pub fn add(&mut self, line: usize, column: usize, message: impl Into<String>) {
        if self.full() {
            self.more += 1;
            return;
        }
        self.list.push(Fault {
            file: self.file.clone(),
            line,
            column,
            message: message.into(),
        });
    }

    /// Whether further ones will only be counted; their place need not be found.
    pub fn full(&self) -> bool {
        self.list.len() >= MOST_FAULTS
    }

    /// How many so far, with those only counted.
    pub fn count(&self) -> usize {
        self.list.len() + self.more
    }

    /// Whether there are none.
    pub fn is_empty(&self) -> bool {
        self.list.is_empty()
    }

    /// All of them in the order of the file, with a last line counting those not listed.
    pub fn into_list(mut self) -> Vec<Fault> {
        self.list.sort_by_key(|f| (f.line, f.column));
        if self.more > 0 {
            self.list.push(Fault {
                file: self.file,
                line: 0,
                column: 0,
                message: format!(
                    "and {} more like these; mend the first ones and try again",
                    self.more
                ),
            });
        }
        self.list
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn places_count_characters_and_lines() {
        assert_eq!(place("aé\nüb", 0), (1, 1));
        assert_eq!(place("aé\nüb", 3), (1, 3));
        assert_eq!(place("aé\nüb", 6), (2, 2));
        assert_eq!(place("aé", 99), (1, 3));
        assert_eq!(place("é", 1), (1, 1), "inside a character");
    }

    #[test]
    fn near_words_are_found_and_far_ones_are_not() {
        assert_eq!(closest("wave_gauge", ["wave-gauge"]), Some("wave-gauge"));
        assert_eq!(closest("Lenght", ["length"]), Some("length"));
        assert_eq!(closest("x", ["y", "by"]), Some("y"));
        assert_eq!(closest("paint", ["panel", "purpose"]), None);
    }

    #[test]
    fn a_flood_of_faults_is_counted_not_listed() {
        let mut faults = Faults::of("a.txt");
        (0..150).for_each(|i| faults.add(i + 1, 1, "wrong"));
        let list = faults.into_list();
        assert_eq!(list.len(), MOST_FAULTS + 1);
        assert!(list[MOST_FAULTS].message.starts_with("and 50 more"));
    }

    #[test]
    fn other_kinds_of_file_are_known_by_their_first_bytes() {
        for (bytes, expected) in [
            (&b"PK\x03\x04rest"[..], "spreadsheet"),
            (&b"\x89PNG\r\n"[..], "picture"),
            (&b"\xFF\xFEA\0"[..], "UTF-16"),
            (&b" \r\n\t"[..], "is empty"),
        ] {
            let message = decode(bytes, "f").unwrap_err().message;
            assert!(message.contains(expected), "{message}");
        }
    }
}
