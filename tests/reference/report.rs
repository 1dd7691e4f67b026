//! The customer's pages in a browser, and the instructions of `READ ME FIRST.txt` followed to the letter.
//!
//! The browser speaks through a proxy that hears every request, and no name has an address. What a page says on the
//! browser's console counts, too. PowerShell is in no package that Debian has: its line was written and read
//! by what `Get-Content`, `Get-FileHash`, `ForEach-Object` and `about_Split` do, from memory, and never run.

use std::io::{BufRead, BufReader, ErrorKind};
use std::net::TcpListener;
use std::path::Path;
use std::process::Output;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

use crate::common::{Bench, full_map};
use crate::tools::{command, not_started, text};

/// Whom this browser asks by itself, for the time and for accounts, whatever page it shows. That no page of ours names an
/// address at all is checked in `tests/report.rs`.
const BROWSERS_OWN: [&str; 3] = ["google.com", "googleapis.com", "gvt1.com"];

/// Whether a request is the page's: `GET http://HOST/… HTTP/1.1` or `CONNECT HOST:PORT HTTP/1.1`.
fn is_the_pages(request: &str) -> bool {
    let target = request.split(' ').nth(1).unwrap_or_default();
    let host = target.trim_start_matches("http://").split(['/', ':']).next().unwrap_or_default();
    !BROWSERS_OWN.iter().any(|own| host.strip_suffix(own).is_some_and(|rest| rest.is_empty() || rest.ends_with('.')))
}

/// What a browser did with a page.
struct Visit {
    /// What it said on its console.
    console: Vec<String>,
    /// What it asked of the world.
    requests: Vec<String>,
    out: String,
}

/// Takes a page into the browser.
fn visit(page: &str, words: &[&str]) -> Visit {
    let listener = TcpListener::bind("127.0.0.1:0").expect("a free port");
    listener.set_nonblocking(true).expect("a socket");
    let proxy = format!("--proxy-server=http://{}", listener.local_addr().expect("bound"));
    let profile = tempfile::tempdir().expect("a folder");
    let over = AtomicBool::new(false);
    let mut requests = Vec::new();
    let mut output: Option<Output> = None;
    std::thread::scope(|scope| {
        let heard = scope.spawn(|| {
            let mut heard = Vec::new();
            while !over.load(Ordering::SeqCst) {
                match listener.accept() {
                    Ok((stream, _)) => {
                        stream.set_nonblocking(false).expect("a socket");
                        stream.set_read_timeout(Some(Duration::from_secs(2))).expect("a socket");
                        let mut line = String::new();
                        let _ = BufReader::new(stream).read_line(&mut line);
                        heard.push(line.trim().to_string());
                    }
                    Err(error) if error.kind() == ErrorKind::WouldBlock => std::thread::sleep(Duration::from_millis(5)),
                    Err(error) => panic!("{error}"),
                }
            }
            heard
        });
        let mut browser = command("timeout");
        browser.args(["120", "chromium", "--headless", "--disable-gpu", "--no-sandbox", "--no-first-run"]);
        browser.args([
            "--disable-background-networking",
            "--disable-component-update",
            "--disable-sync",
            "--disable-extensions",
        ]);
        browser.args([
            "--host-resolver-rules=MAP * ~NOTFOUND, EXCLUDE 127.0.0.1",
            "--enable-logging=stderr",
            "--hide-scrollbars",
        ]);
        browser.arg(&proxy).arg(format!("--user-data-dir={}", profile.path().display())).args(words).arg(page);
        output = Some(browser.output().unwrap_or_else(|error| not_started("chromium", &error)));
        over.store(true, Ordering::SeqCst);
        requests = heard.join().expect("the proxy hears");
        requests.retain(|request| is_the_pages(request));
    });
    let output = output.expect("it ran");
    let err = String::from_utf8_lossy(&output.stderr).into_owned();
    assert!(output.status.success(), "{page}: {}\n{err}", output.status);
    let console = err.lines().filter(|line| line.contains("CONSOLE")).map(str::to_string).collect();
    Visit { console, requests, out: String::from_utf8_lossy(&output.stdout).into_owned() }
}

fn address(path: &Path) -> String {
    format!("file://{}", path.display().to_string().replace(' ', "%20"))
}

/// A page that says nothing, asks nobody, prints with `words`, and is not blank.
fn stands_alone(bench: &Bench, path: &str, words: &[&str]) {
    let page = address(&bench.path(path));
    let pdf = bench.path("printed.pdf");
    let printed = visit(&page, &[&format!("--print-to-pdf={}", pdf.display()), "--no-pdf-header-footer"]);
    assert_eq!((printed.console, printed.requests), (Vec::<String>::new(), Vec::new()), "{path}");
    let pdf = pdf.to_str().expect("text");
    assert!(text("pdfinfo", &[pdf]).contains("Pages:"), "{path}");
    let shown = text("pdftotext", &["-layout", pdf, "-"]).split_whitespace().collect::<Vec<_>>().join(" ");
    for words in words {
        assert!(shown.contains(words), "{path} prints {words:?}: {shown}");
    }
    bench.remove("printed.pdf");

    let drawn = bench.path("seen.png");
    let seen = visit(&page, &[&format!("--screenshot={}", drawn.display()), "--window-size=1280,2000"]);
    assert_eq!((seen.console, seen.requests), (Vec::<String>::new(), Vec::new()), "{path}");
    let decoder = png::Decoder::new(BufReader::new(std::fs::File::open(&drawn).expect("a picture")));
    let mut reader = decoder.read_info().expect("a PNG");
    let mut pixels = vec![0; reader.output_buffer_size().expect("it fits")];
    let info = reader.next_frame(&mut pixels).expect("whole");
    assert_eq!((info.width, info.height), (1280, 2000));
    let colours: std::collections::HashSet<&[u8]> = pixels.chunks_exact(info.color_type.samples()).collect();
    assert!(colours.len() > 40, "{path}: {} colours", colours.len());
    bench.remove("seen.png");

    // As wide as a telephone, nothing sticks out.
    let frame = format!(
        "<html><body><iframe id=\"f\" src=\"{page}\" style=\"width:390px;height:900px;border:0\"></iframe><script>\
         onload = () => document.title = 'width ' + document.getElementById('f').contentDocument.documentElement.scrollWidth;\
         </script></body></html>"
    );
    bench.file("frame.html", frame);
    let measured = visit(&address(&bench.path("frame.html")), &["--dump-dom", "--allow-file-access-from-files"]);
    assert!(measured.out.contains("<title>width 390</title>"), "{path}: {}", measured.out);
}

#[test]
fn the_check_hears_requests_and_errors() {
    assert!(is_the_pages("GET http://notgoogle.com/ HTTP/1.1") && is_the_pages("CONNECT choir.invalid:443 HTTP/1.1"));
    assert!(!is_the_pages("CONNECT www.google.com:443 HTTP/1.1") && !is_the_pages("GET http://google.com/x HTTP/1.1"));
    let bench = Bench::new();
    bench.file(
        "loud.html",
        "<html><body><img src=\"http://choir.invalid/song.png\"><script>console.error('la')</script></body></html>",
    );
    let loud = visit(&address(&bench.path("loud.html")), &["--dump-dom"]);
    assert!(
        loud.requests.iter().any(|line| line.starts_with("GET http://choir.invalid/song.png")),
        "{:?}",
        loud.requests
    );
    assert!(loud.console.iter().any(|line| line.contains("la")), "{:?}", loud.console);
}

#[test]
fn the_pages_stand_alone_and_print() {
    let bench = Bench::new();
    bench.run("demo try").code(0);
    let words = [
        "Of your 242 files, 239 came back whole and 3 have parts missing.",
        "IMG_0487.jpg",
        "ask a specialist laboratory",
    ];
    stands_alone(&bench, "try/handover/report.html", &words);
    stands_alone(
        &bench,
        "try/handover/contact sheets/page 001.html",
        &["Pictures, page 1 of 1", "IMG_0487.jpg", "parts missing"],
    );

    // A drive that lost much: every second sector of a volume's second half.
    bench.fixture("ntfs-attrlist");
    let length = std::fs::metadata(bench.path("ntfs-attrlist.img")).expect("there").len();
    let holes: Vec<_> = (length / 1024..length / 512).step_by(2).map(|at| at * 512..at * 512 + 512).collect();
    bench.file("ntfs-attrlist.map.csv", full_map(length, &holes));
    bench.run("extract ntfs-attrlist.img / --to bad").code(1);
    stands_alone(&bench, "bad/report.html", &["What did not come back as it was", "On whose word"]);
}

/// The commands of a system in the text, each on a line of its own, set in by four blanks.
fn commands<'t>(text: &'t str, system: &str) -> Vec<&'t str> {
    let after = text.split(&format!("\r\n{system}: ")).nth(1).expect("the system is named");
    let before = after.split("\r\n\r\n").next().expect("a paragraph ends");
    before.split("\r\n").filter_map(|line| line.strip_prefix("    ")).collect()
}

#[test]
fn the_instructions_are_followed_to_the_letter() {
    let bench = Bench::new();
    // Names that shells and patterns take for something else.
    bench.fixture("ntfs-c4k");
    bench.run("extract ntfs-c4k.img / --to bag").code(0);
    let manifest = bench.text("bag/manifest-sha256.txt");
    let files = manifest.lines().count();
    assert!(files > 100, "{files}");
    let readme = bench.text("bag/READ ME FIRST.txt");
    let follow = |system: &str| {
        let commands = commands(&readme, system);
        assert_eq!(commands.len(), 1, "{system}: {commands:?}");
        let mut shell = command("sh");
        let output = shell.arg("-c").arg(commands[0]).current_dir(bench.path("bag")).output();
        let output = output.unwrap_or_else(|error| not_started("sh", &error));
        let out = String::from_utf8_lossy(&output.stdout).into_owned();
        (output.status.success(), out.lines().filter(|line| line.ends_with(": OK")).count(), out)
    };
    // `shasum` is the one that macOS has.
    for system in ["Linux", "macOS"] {
        let (well, count, out) = follow(system);
        assert!(well, "{system}: {out}");
        assert_eq!(count, files, "{system}");
    }
    let changed = manifest.lines().next().expect("a file").split_once("  ").expect("two parts").1.to_string();
    let mut bytes = std::fs::read(bench.path(&format!("bag/{changed}"))).expect("there");
    bytes.push(b'x');
    bench.file(&format!("bag/{changed}"), bytes);
    for system in ["Linux", "macOS"] {
        let (well, count, out) = follow(system);
        assert!(!well && out.contains(&format!("{changed}: FAILED")), "{system}: {out}");
        assert_eq!(count, files - 1, "{system}");
    }
    // The manifest is as PowerShell's line takes it: UTF-8 without a mark, a digest, two blanks, a path.
    assert!(!manifest.starts_with('\u{feff}') && !manifest.contains('\r'));
    assert!(
        manifest
            .lines()
            .all(|line| line.split_once("  ").is_some_and(|(digest, path)| digest.len() == 64 && !path.is_empty()))
    );
    assert!(commands(&readme, "Windows")[0].contains("-LiteralPath $path"));
}
