//! The JSON that programs read: every document opens with the version of its form and the command.

use std::borrow::Cow;

use serde::Serialize;

use super::escape;
use super::output::Printer;
use crate::error::{Error, Result};

/// The version of the form. Fields may be added under it, never changed.
pub(super) const VERSION: u32 = 1;

#[derive(Serialize)]
struct Document<'a, T> {
    handback_json: u32,
    command: &'a str,
    #[serde(flatten)]
    body: &'a T,
}

/// Prints `body`, which serialises as an object, as the one document of `command`.
///
/// # Errors
/// [`Error::Io`] if standard output can't be written.
pub(super) fn document<T: Serialize>(printer: &mut Printer<'_>, command: &str, body: &T) -> Result<()> {
    let text = serde_json::to_string_pretty(&Document { handback_json: VERSION, command, body }).map_err(failed)?;
    printer.raw(format!("{}\n", visible(&text)).as_bytes())
}

/// `body` as one of many objects, each on its own line, with its end; every line opens as a document does, so that it can be
/// read alone.
///
/// # Errors
/// [`Error::Io`] if `body` can't be written as an object.
pub(super) fn line<T: Serialize>(command: &str, body: &T) -> Result<String> {
    let mut text = serde_json::to_string(&Document { handback_json: VERSION, command, body }).map_err(failed)?;
    if let Cow::Owned(safe) = visible(&text) {
        text = safe;
    }
    text.push('\n');
    Ok(text)
}

fn failed(error: serde_json::Error) -> Error {
    Error::Io { action: "write to", path: "standard output".into(), source: error.into() }
}

/// The same document without characters that steer a terminal. Beyond ASCII such characters stand only inside strings,
/// where `\u` says the same; inside ASCII the serialiser leaves only the line ends between fields and the delete.
fn visible(text: &str) -> Cow<'_, str> {
    if text.bytes().all(|byte| byte < b'\x7F') {
        return Cow::Borrowed(text);
    }
    let mut safe = String::with_capacity(text.len());
    let mut buffer = [0; 2];
    for c in text.chars() {
        if c >= '\x7F' && escape::is_hidden(c) {
            for unit in c.encode_utf16(&mut buffer) {
                safe.push_str(&format!("\\u{unit:04x}"));
            }
        } else {
            safe.push(c);
        }
    }
    Cow::Owned(safe)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::cli::output::Terminal;

    #[derive(Serialize)]
    struct Body {
        name: &'static str,
        size: u64,
    }

    const BODY: Body = Body { name: "a\u{9B}\u{202E}\x1B\x7F\u{E0041}é", size: u64::MAX };

    fn printed(print: impl FnOnce(&mut Printer<'_>)) -> String {
        let (mut out, mut err) = (Vec::new(), Vec::new());
        print(&mut Printer::new(&mut out, &mut err, Terminal::default()));
        String::from_utf8(out).unwrap()
    }

    #[test]
    fn a_document_opens_with_version_and_command() {
        let text = printed(|printer| document(printer, "layout", &BODY).unwrap());
        assert!(text.starts_with("{\n  \"handback_json\": 1,\n  \"command\": \"layout\",\n"), "{text}");
        let line = line("list", &BODY).unwrap();
        assert!(line.starts_with("{\"handback_json\":1,\"command\":\"list\",") && line.ends_with("}\n"), "{line}");
        assert_eq!(line.lines().count(), 1);
    }

    #[test]
    fn strings_come_back_and_do_not_steer_a_terminal() {
        let text = printed(|printer| document(printer, "layout", &BODY).unwrap());
        assert!(!text.chars().any(|c| c != '\n' && escape::is_hidden(c)), "{text:?}");
        let value: serde_json::Value = serde_json::from_str(&text).unwrap();
        assert_eq!(value["name"], BODY.name);
        assert_eq!(value["size"], BODY.size);
    }
}
