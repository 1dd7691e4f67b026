use super::*;
use proptest::prelude::*;

fn units(name: &str) -> Vec<u16> {
    name.encode_utf16().collect()
}

fn safe(name: &str) -> Mapped {
    let mapped = safe_component(&units(name));
    assert_eq!(mapped, safe_component_bytes(name.as_bytes()), "both forms of {name:?}");
    mapped
}

fn names(siblings: &[Mapped]) -> Vec<&str> {
    siblings.iter().map(|sibling| sibling.name.as_str()).collect()
}

fn assigned(stored: &[&str]) -> Vec<String> {
    let mut siblings: Vec<Mapped> = stored.iter().map(|name| safe_component(&units(name))).collect();
    assign(&mut siblings);
    siblings.into_iter().map(|sibling| sibling.name).collect()
}

/// The rules of the hosts, written down a second time. Panics where `name` breaks one.
fn assert_legal(name: &str) {
    assert!(!name.is_empty() && name.len() <= 255 && name.encode_utf16().count() <= 255, "length of {name:?}");
    assert!(!name.ends_with(['.', ' ']), "end of {name:?}");
    assert!(!name.chars().any(|c| c.is_control() || "<>:\"/\\|?*\u{2028}\u{2029}".contains(c)), "{name:?}");
    let lower = name.to_lowercase();
    assert!(!["%0a", "%0d", "%25"].iter().any(|sequence| lower.contains(sequence)), "{name:?}");
    let stem = lower.split('.').next().unwrap().trim_end();
    let mut devices: Vec<String> = ["con", "prn", "aux", "nul", "conin$", "conout$"].map(str::to_string).to_vec();
    devices.extend("123456789¹²³".chars().flat_map(|number| [format!("com{number}"), format!("lpt{number}")]));
    assert!(!devices.iter().any(|device| device == stem), "device {name:?}");
    let mut components = std::path::Path::new(name).components();
    assert_eq!(components.next(), Some(std::path::Component::Normal(name.as_ref())));
    assert_eq!(components.next(), None);
}

#[test]
fn names_that_stay() {
    for name in [
        "Resume.docx",
        " leading space",
        "100% sure.txt",
        "%",
        "%2",
        "%0",
        "%0B",
        "50%20off",
        "(u+000A)",
        "(empty)",
        ".profile",
        "CONSOLE",
        "COM",
        "COM0",
        "COM10",
        "LPT",
        "a.con",
        " con",
        "über.txt",
        "u\u{308}ber",
        "\u{202E}gpj.exe",
        "zero\u{200B}width",
        "\u{FEFF}bom",
        "emoji \u{1F600}\u{200D}",
        "tilde~1",
        "$MFT",
        "a..b",
        "...a",
        "-rf",
        "'\u{A0}",
        "\u{FFFD}",
    ] {
        assert_eq!(safe(name), Mapped { name: name.to_string(), changed: false });
        assert_legal(name);
    }
}

#[test]
fn names_that_are_mapped() {
    for (name, expected) in [
        ("", "(empty)"),
        (".", "(u+002E)"),
        ("..", ".(u+002E)"),
        ("../../etc/passwd", "..(u+002F)..(u+002F)etc(u+002F)passwd"),
        ("C:\\Windows", "C(u+003A)(u+005C)Windows"),
        ("trailing.", "trailing(u+002E)"),
        ("trailing. ", "trailing.(u+0020)"),
        (" ", "(u+0020)"),
        ("<a>?|*\".txt", "(u+003C)a(u+003E)(u+003F)(u+007C)(u+002A)(u+0022).txt"),
        ("new\nline\r.txt", "new(u+000A)line(u+000D).txt"),
        ("\0\x1F\x7F\u{80}\u{9F}x", "(u+0000)(u+001F)(u+007F)(u+0080)(u+009F)x"),
        ("a\u{2028}b\u{2029}c", "a(u+2028)b(u+2029)c"),
        ("lit%0Aeral.txt", "lit(u+0025)0Aeral.txt"),
        ("%0a%0d%25%0D", "(u+0025)0a(u+0025)0d(u+0025)25(u+0025)0D"),
        ("%%25%", "%(u+0025)25%"),
        ("%250A", "(u+0025)250A"),
        ("CON", "(CON)"),
        ("nul.txt", "(nul).txt"),
        ("Aux.tar.gz", "(Aux).tar.gz"),
        ("prn .txt", "(prn) .txt"),
        ("com1", "(com1)"),
        ("LPT9.x", "(LPT9).x"),
        ("COM¹.log", "(COM¹).log"),
        ("lpt³", "(lpt³)"),
        ("CONIN$", "(CONIN$)"),
        ("conout$.a", "(conout$).a"),
        ("con:", "con(u+003A)"),
    ] {
        assert_eq!(safe(name), Mapped { name: expected.to_string(), changed: true }, "{name:?}");
        assert_legal(expected);
    }
}

#[test]
fn what_is_no_text_is_named_by_its_value() {
    assert_eq!(safe_component(&[0xD83D, 0x61, 0xDE00]).name, "(u+D83D)a(u+DE00)");
    assert_eq!(safe_component(&[0xD83D, 0xDE00]).name, "\u{1F600}");
    assert_eq!(safe_component_bytes(b"caf\xE9.txt").name, "caf(x+E9).txt");
    assert_eq!(safe_component_bytes(b"\xF0\x9F\x98").name, "(x+F0)(x+9F)(x+98)");
}

#[test]
fn long_names_are_cut_before_their_extension() {
    let fits = format!("{}.jpeg", "a".repeat(250));
    assert!(!safe(&fits).changed);
    // 255 UTF-16 units, but 505 bytes.
    let name = format!("{}.jpeg", "ü".repeat(250));
    let cut = safe_component(&units(&name));
    let digest = Sha256::digest(units(&name).iter().flat_map(|unit| unit.to_le_bytes()).collect::<Vec<u8>>());
    let tag = format!("(cut-{:02x}{:02x}{:02x}{:02x}).jpeg", digest[0], digest[1], digest[2], digest[3]);
    assert_eq!(cut, Mapped { name: format!("{}{tag}", "ü".repeat(118)), changed: true });
    // Names that differ only in what is cut off stay different.
    let (one, other) = (format!("{}1.jpeg", "b".repeat(300)), format!("{}2.jpeg", "b".repeat(300)));
    assert_ne!(safe_component(&units(&one)), safe_component(&units(&other)));
    // What is too long for an extension, or has a space, isn't one.
    assert!(safe_component(&units(&format!("a.{}", "x".repeat(300)))).name.ends_with(')'));
    assert!(safe_component(&units(&format!("{}. Smith", "x".repeat(300)))).name.ends_with(')'));
}

#[test]
fn no_escape_is_cut_in_two() {
    for shift in 0..20 {
        let name = format!("{}{}", "a".repeat(shift), "\n".repeat(60));
        let cut = safe_component(&units(&name)).name;
        assert_eq!(cut.matches("(u+000A)").count(), (255 - 14 - shift) / 8, "{cut}");
        assert_eq!(cut.matches('(').count(), cut.matches(')').count(), "{cut}");
    }
    assert_eq!(cut("a(b) c(uvw) d", 8), "a(b) c(u", "other parentheses are text");
}

#[test]
fn siblings_that_collide_get_numbers() {
    assert_eq!(assigned(&["photo.jpg", "PHOTO.jpg", "Photo.JPG"]), ["photo.jpg", "PHOTO (2).jpg", "Photo (3).JPG"]);
    assert_eq!(assigned(&["a", "A", "a (2)"]), ["a", "A (3)", "a (2)"], "a name of its own is kept");
    assert_eq!(assigned(&["a (2)", "A", "a", "A (2)"]), ["a (2)", "A", "a (3)", "A (2) (2)"]);
    assert_eq!(assigned(&["\u{FC}", "u\u{308}", "\u{DC}"]), ["\u{FC}", "u\u{308} (2)", "\u{DC} (3)"]);
    assert_eq!(assigned(&["σ", "ς", "Σ"]), ["σ", "ς (2)", "Σ (3)"]);
    assert_eq!(assigned(&["K", "\u{212A}"]), ["K", "\u{212A} (2)"], "the Kelvin sign");
    assert_eq!(assigned(&["ab", "a\u{200D}b"]), ["ab", "a\u{200D}b (2)"]);
    assert_eq!(assigned(&["a(u+000A)b", "a\nb"]), ["a(u+000A)b", "a(u+000A)b (2)"]);
    assert_eq!(assigned(&["", "(empty)"]), ["(empty)", "(empty) (2)"]);
    assert_eq!(
        assigned(&[".env", ".ENV", "v1.tar.gz", "V1.tar.gz"]),
        [".env", ".ENV (2)", "v1.tar.gz", "V1.tar (2).gz"]
    );
    assert_eq!(assigned(&["a.b", "b.a", "c"]), ["a.b", "b.a", "c"]);
}

#[test]
fn numbers_say_that_a_name_changed() {
    let mut siblings = [safe("a"), safe("A")];
    assign(&mut siblings);
    assert_eq!(siblings.map(|sibling| sibling.changed), [false, true]);
}

#[test]
fn a_full_name_makes_room_for_its_number() {
    let long = format!("{}.txt", "x".repeat(251));
    let mut siblings = vec![safe(&long), safe(&long.to_uppercase())];
    assign(&mut siblings);
    assert_eq!(siblings[1].name, format!("{} (2).TXT", "X".repeat(238)));
}

#[test]
fn folding_is_coarser_than_both_cases_and_both_forms() {
    for c in ('\u{80}'..='\u{2FFFF}').filter(|c| !c.is_control()) {
        let text = format!("x{c}");
        let folded = fold(&text);
        assert_eq!(folded, fold(&text.to_lowercase()), "{c:?}");
        assert_eq!(folded, fold(&text.to_uppercase()), "{c:?}");
        assert_eq!(folded, fold(&text.nfd().collect::<String>()), "{c:?}");
        assert_eq!(folded, fold(&text.nfc().collect::<String>()), "{c:?}");
    }
}

/// Each of these would take hours if a number were tried once for every name before it.
#[test]
fn a_folder_full_of_collisions_takes_linear_time() {
    let count = 100_000;
    let mut siblings = vec![safe("same.txt"); count];
    siblings.extend((0..count).map(|number| safe(&format!("SAME ({number}).txt"))));
    // Pairs of full names that all become equal when they are cut to make room.
    siblings.extend((0..count).map(|number| safe(&format!("{}{:06}.txt", "x".repeat(245), number / 2))));
    assign(&mut siblings);
    let distinct: HashSet<String> = names(&siblings).into_iter().map(fold).collect();
    assert_eq!(distinct.len(), 3 * count);
    assert!(siblings.iter().all(|sibling| sibling.name.len() <= 255));
    assert_eq!(siblings[count - 1].name, format!("same ({}).txt", 2 * count - 2));
}

fn stored_name() -> impl Strategy<Value = Vec<u16>> {
    let pieces = [
        "CON",
        "nul",
        "COM¹",
        "lpt9",
        ".",
        "..",
        " ",
        "%",
        "%0",
        "%25",
        "%0A",
        "d",
        "(",
        ")",
        "(u+",
        "000A)",
        "(cut-",
        " (2)",
        "a",
        "A",
        "ü",
        "U\u{308}",
        "\n",
        "/",
        "\\",
        "\u{2028}",
        "\u{85}",
        "\u{202E}",
        "\u{1F600}",
        ".txt",
    ];
    let piece = prop_oneof![
        8 => prop::sample::select(pieces.to_vec()).prop_map(units),
        1 => any::<u16>().prop_map(|unit| vec![unit]),
        1 => (0_usize..260).prop_map(|length| units("z").repeat(length)),
    ];
    prop::collection::vec(piece, 0..9).prop_map(|pieces| pieces.concat())
}

/// Each character alone, and behind a digit, which it might combine with.
#[test]
fn no_character_makes_or_takes_a_digit() {
    for c in (0..=0x0010_FFFF).filter_map(char::from_u32) {
        for name in [c.to_string(), format!("7{c}"), format!("{c}7"), format!("e{c}7")] {
            assert_eq!(digits(&fold(&name)), digits(&name), "{name:?}");
        }
    }
    assert_ne!(digits("12"), digits("21"));
}

proptest! {
    #[test]
    fn any_units_become_a_legal_name_that_stays(stored in stored_name()) {
        let mapped = safe_component(&stored);
        assert_legal(&mapped.name);
        prop_assert_eq!(mapped.changed, units(&mapped.name) != stored);
        let again = safe_component(&units(&mapped.name));
        prop_assert_eq!(&again, &Mapped { name: mapped.name, changed: false });
        // The short way to a name says the same, if it says anything.
        let short = unchanged(again.name.as_bytes());
        prop_assert!(short.is_none_or(|short| short == again));
        if let Ok(text) = String::from_utf16(&stored) {
            let (long, short) = (safe_component(&stored), unchanged(text.as_bytes()));
            prop_assert!(short.is_none_or(|short| short == long), "{text:?}");
        }
    }

    #[test]
    fn any_bytes_become_a_legal_name_that_stays(stored in prop::collection::vec(any::<u8>(), 0..300)) {
        let mapped = safe_component_bytes(&stored);
        assert_legal(&mapped.name);
        prop_assert_eq!(mapped.changed, mapped.name.as_bytes() != stored);
        let again = safe_component_bytes(mapped.name.as_bytes());
        prop_assert_eq!(again, Mapped { name: mapped.name, changed: false });
    }

    #[test]
    fn siblings_are_distinct_legal_and_stay(stored in prop::collection::vec(stored_name(), 0..20)) {
        let mut siblings: Vec<Mapped> = stored.iter().map(|name| safe_component(name)).collect();
        assign(&mut siblings);
        let distinct: HashSet<String> = names(&siblings).into_iter().map(fold).collect();
        prop_assert_eq!(distinct.len(), stored.len());
        for (sibling, stored) in siblings.iter().zip(&stored) {
            assert_legal(&sibling.name);
            prop_assert_eq!(sibling.changed, &units(&sibling.name) != stored);
            prop_assert!(!safe_component(&units(&sibling.name)).changed);
        }
    }
}
