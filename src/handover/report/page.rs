//! What all pages share: head, style, names and pictures.

use std::borrow::Cow;

use maud::{DOCTYPE, Escaper, Markup, PreEscaped, html};

use super::base64;
use crate::hidden::visible;

/// Nothing from anywhere, no script; only what stands in the page itself.
const POLICY: &str =
    "default-src 'none'; style-src 'unsafe-inline'; img-src data:; base-uri 'none'; form-action 'none'";

/// One style for all pages: readable on a phone, and on paper without colours and split rows.
const STYLE: &str = "
@page { margin: 16mm 14mm; }
* { box-sizing: border-box; }
html { -webkit-text-size-adjust: 100%; text-size-adjust: 100%; }
body { margin: 0 auto; max-width: 56rem; padding: 1.25rem 1.25rem 4rem; background: #fff; color: #1e2226;
  font: 1rem/1.5 system-ui, -apple-system, 'Segoe UI', Roboto, Arial, 'Liberation Sans', sans-serif;
  overflow-wrap: anywhere; }
h1 { font-size: 1.7rem; line-height: 1.2; margin: 0 0 .3rem; }
h2 { font-size: 1.2rem; line-height: 1.3; margin: 2.2rem 0 .5rem; padding-top: .6rem; border-top: 2px solid #d5dadf; }
h3 { font-size: 1rem; margin: 1.2rem 0 .2rem; }
p, ul, dl { margin: .5rem 0; }
ul { padding-left: 1.3rem; }
li { margin: .25rem 0; }
a { color: #0b5394; }
.sub { color: #4a5056; margin-top: 0; }
.headline { font-size: 1.25rem; line-height: 1.4; margin: 1rem 0; }
.notice { border-left: 6px solid #a34700; background: #fff4e8; padding: .6rem .9rem; margin: 1rem 0; }
.counts { display: flex; flex-wrap: wrap; gap: .6rem; list-style: none; padding: 0; margin: 1rem 0; }
.counts li { flex: 1 1 8rem; border: 1px solid #c3c9cf; border-top: 6px solid #5d6670; border-radius: 4px; margin: 0;
  padding: .5rem .7rem; }
.counts b { display: block; font-size: 1.6rem; line-height: 1.2; }
.counts .well { border-top-color: #1c6e3c; }
.counts .ill { border-top-color: #a32020; }
.counts .open { border-top-color: #a36a00; }
.box { border: 1px solid #c3c9cf; border-radius: 4px; padding: .6rem 1rem; background: #f6f8f9; }
.box dl { display: grid; grid-template-columns: max-content 1fr; gap: .15rem 1.2rem; margin: 0; }
dt { color: #4a5056; }
dd { margin: 0 0 .4rem; }
.box dd { margin: 0; white-space: pre-line; }
table { border-collapse: collapse; width: 100%; margin: .8rem 0; }
caption { text-align: left; color: #4a5056; padding-bottom: .3rem; }
th, td { text-align: left; vertical-align: top; padding: .35rem .6rem .35rem 0; border-bottom: 1px solid #d5dadf; }
th.number, td.number { text-align: right; white-space: nowrap; padding-right: 1rem; }
tbody th { font-weight: 500; }
tfoot td, tfoot th { font-weight: bold; border-bottom: 0; }
code, pre { font-family: ui-monospace, Consolas, 'Liberation Mono', monospace; font-size: .9rem; }
pre { background: #f1f3f5; border: 1px solid #d5dadf; border-radius: 4px; padding: .6rem .8rem; white-space: pre-wrap;
  overflow-wrap: anywhere; margin: .4rem 0; }
.strip { overflow-x: auto; margin: .8rem 0; }
.strip svg { display: block; width: 100%; min-width: 44rem; height: auto; }
.hint { display: none; color: #4a5056; }
.pages li { margin: .4rem 0; }
.pages .at { display: inline-block; min-width: 1.6rem; padding: 0 .25rem; text-align: center; }
details { margin: .6rem 0; }
summary { cursor: pointer; color: #0b5394; }
main.sheets { display: flex; flex-wrap: wrap; gap: .4rem 1.2rem; align-items: flex-start; }
.sheets section { max-width: 100%; }
.sheets h2 { font-size: .85rem; margin: .6rem 0 .3rem; padding: .3rem 0 0; border-top-width: 1px; width: 0; min-width: 100%; }
.sheet { display: flex; flex-wrap: wrap; gap: .6rem; }
figure { width: 10rem; margin: 0; border: 1px solid #d5dadf; border-radius: 4px; padding: .4rem; font-size: .8rem; line-height: 1.3; }
figure img, figure .none { display: flex; width: 144px; max-width: 100%; height: 108px; margin: 0 auto .3rem;
  object-fit: contain; align-items: center; justify-content: center; text-align: center; }
figure .none { border: 1px dashed #8a9299; color: #4a5056; padding: .3rem; }
figure.hurt { border: 2px solid #a32020; }
figure a { display: block; }
figure .mark { color: #8c1414; font-weight: bold; display: block; }
figure time { color: #4a5056; display: block; }
nav { margin: .6rem 0; }
@media (max-width: 47rem) {
  .hint { display: block; }
}
@media (max-width: 40rem) {
  body { padding: 1rem .9rem 3rem; }
  .box dl { grid-template-columns: minmax(6rem, max-content) 1fr; gap: .3rem .8rem; }
  main.sheets, .sheet { gap: .5rem; }
  figure { width: calc(50vw - 1.4rem); }
  table.wide thead { display: none; }
  table.wide tr { display: block; border-bottom: 1px solid #d5dadf; padding: .5rem 0; }
  table.wide th, table.wide td { display: block; border: 0; padding: .1rem 0; }
  table.wide th { font-weight: bold; }
  table.wide td.number { display: inline; text-align: left; padding-right: .8rem; }
  table.wide td.none { display: none; }
  table.wide td[data-label]::before { content: attr(data-label) ' '; color: #4a5056; font-weight: normal; }
}
@media print {
  body { max-width: none; padding: 0; font-size: 10.5pt; }
  h1, h2, h3, caption { break-after: avoid; }
  tr, figure, pre, .box, .counts li, .notice, li { break-inside: avoid; }
  thead { display: table-header-group; }
  tfoot { display: table-row-group; }
  a { color: inherit; text-decoration: none; }
  .strip { overflow: visible; }
  .hint { display: none; }
  .strip svg { min-width: 0; }
  .counts li, .box, .notice, pre { background: #fff; }
  .sheet { gap: 3mm; }
  nav { display: none; }
}
";

/// A whole page. Elements without content are closed as XML wants it, which HTML takes, too.
pub(super) fn document(title: &str, body: &Markup) -> String {
    let head = format!(
        "<meta charset=\"utf-8\"/>\
         <meta http-equiv=\"Content-Security-Policy\" content=\"{POLICY}\"/>\
         <meta name=\"viewport\" content=\"width=device-width, initial-scale=1\"/>\
         <meta name=\"referrer\" content=\"no-referrer\"/>"
    );
    let markup = html! {
        (DOCTYPE)
        html xmlns="http://www.w3.org/1999/xhtml" lang="en" {
            head {
                (PreEscaped(head))
                title { (visible(title)) }
                style { (PreEscaped(STYLE)) }
            }
            body { (body) }
        }
    };
    markup.into_string()
}

/// A name that was made visible before.
pub(super) fn name(shown: &str) -> Markup {
    html! { bdi { (shown) } }
}

/// A path that was made visible before. It runs from left to right whatever its parts do, and a line may end after each
/// folder of it.
pub(super) fn path(shown: &str) -> Markup {
    html! {
        bdi dir="ltr" {
            @for (at, part) in shown.split('/').enumerate() {
                @if at > 0 { "/" (PreEscaped("<wbr/>")) }
                @if !part.is_empty() { (name(part)) }
            }
        }
    }
}

/// A text of several lines, each made visible.
pub(super) fn lines(text: &str) -> String {
    text.lines().map(visible).collect::<Vec<Cow<'_, str>>>().join("\n")
}

/// A picture that stands in the page.
pub(super) fn picture(jpeg: &[u8], alt: &str) -> Markup {
    let mut text = format!("<img src=\"data:image/jpeg;base64,{}\" alt=\"", base64::of(jpeg));
    // Writing to a String can't fail.
    let _ = std::fmt::Write::write_str(&mut Escaper::new(&mut text), alt);
    text.push_str("\"/>");
    PreEscaped(text)
}

/// A path in the bag as a link below `up`: every byte that is not plain is written by its number (RFC 3986, 2.1 and 2.3).
pub(super) fn link(up: &str, path: &str) -> String {
    let mut link = up.to_string();
    for byte in path.bytes() {
        match byte {
            b'a'..=b'z' | b'A'..=b'Z' | b'0'..=b'9' | b'-' | b'.' | b'_' | b'~' | b'/' => link.push(char::from(byte)),
            other => {
                let _ = std::fmt::Write::write_fmt(&mut link, format_args!("%{other:02X}"));
            }
        }
    }
    link
}
