//! Names that systems give to the folders in which people keep their own things, by what they are for.
//!
//! Windows since Vista, macOS and Linux keep English names on disk or those of the user's language; Windows 2000 and XP
//! translated them on disk, too. Common practice; seen on installations, no single source; not every language is here.

use serde::Serialize;
use unicode_normalization::UnicodeNormalization;

/// What a usual folder of a person is for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Usual {
    /// What lies on the screen.
    Desktop,
    /// Letters, tables and the like.
    Documents,
    /// What came from the network.
    Downloads,
    /// Pictures.
    Pictures,
    /// Music.
    Music,
    /// Films.
    Films,
    /// Bookmarks of Windows' own browsers.
    Favorites,
    /// Windows' address book.
    Contacts,
    /// Anything else that the system makes for people: links, saved games, searches.
    Other,
    /// A tree that a cloud program keeps the same on several computers.
    Cloud,
}

/// The names of one use: those in any profile, and those that Windows 2000 and XP put into the folder of documents.
struct Names {
    what: Usual,
    own: &'static [&'static str],
    nested: &'static [&'static str],
}

/// In lower case, composed.
const NAMES: &[Names] = &[
    Names {
        what: Usual::Desktop,
        own: &[
            "desktop",
            "schreibtisch",
            "bureau",
            "escritorio",
            "scrivania",
            "bureaublad",
            "área de trabalho",
            "pulpit",
            "skrivbord",
            "skrivebord",
            "työpöytä",
        ],
        nested: &[],
    },
    Names {
        what: Usual::Documents,
        own: &[
            "documents",
            "my documents",
            "dokumente",
            "eigene dateien",
            "mes documents",
            "documentos",
            "mis documentos",
            "documenti",
            "documenten",
            "mijn documenten",
            "meus documentos",
            "dokumenty",
            "moje dokumenty",
            "dokument",
            "mina dokument",
            "dokumenter",
            "mine dokumenter",
            "omat tiedostot",
        ],
        nested: &[],
    },
    Names {
        what: Usual::Downloads,
        own: &["downloads", "téléchargements", "descargas", "scaricati", "transferências", "pobrane", "hämtningar"],
        nested: &[],
    },
    Names {
        what: Usual::Pictures,
        own: &["pictures", "bilder", "images", "imágenes", "immagini", "afbeeldingen", "imagens", "obrazy", "billeder"],
        nested: &[
            "my pictures",
            "eigene bilder",
            "mes images",
            "mis imágenes",
            "immagini",
            "mijn afbeeldingen",
            "minhas imagens",
            "moje obrazy",
            "mina bilder",
            "billeder",
        ],
    },
    Names {
        what: Usual::Music,
        own: &["music", "musik", "musique", "música", "musica", "muziek", "muzyka"],
        nested: &[
            "my music",
            "eigene musik",
            "ma musique",
            "mi música",
            "musica",
            "mijn muziek",
            "minhas músicas",
            "moja muzyka",
            "min musik",
            "musik",
        ],
    },
    Names {
        what: Usual::Films,
        own: &["videos", "movies", "vidéos", "vídeos", "video", "video's", "wideo", "filmer"],
        nested: &[
            "my videos",
            "eigene videos",
            "mes vidéos",
            "mis vídeos",
            "video",
            "mijn video's",
            "meus vídeos",
            "moje wideo",
            "mina videoklipp",
        ],
    },
    Names {
        what: Usual::Favorites,
        own: &["favorites", "favoriten", "favoris", "favoritos", "preferiti", "favorieten", "ulubione", "favoriter"],
        nested: &[],
    },
    Names { what: Usual::Contacts, own: &["contacts"], nested: &[] },
    Names { what: Usual::Other, own: &["links", "saved games", "searches", "sites"], nested: &[] },
];

/// How the names of trees begin that a cloud program keeps: `OneDrive`, `OneDrive - FIRM`.
const CLOUD: &str = "onedrive";

/// A name as these tables have it: lower case, and composed as Macs don't keep it.
pub(in crate::survey) fn plain(name: &str) -> String {
    if name.is_ascii() { name.to_ascii_lowercase() } else { name.to_lowercase().nfc().collect() }
}

/// What a folder of a profile with this plain name is for.
pub(in crate::survey) fn usual(name: &str) -> Option<Usual> {
    if name.starts_with(CLOUD) {
        return Some(Usual::Cloud);
    }
    // What stands nested on one system may stand beside on another.
    let has = |one: &&Names| one.own.contains(&name) || one.nested.contains(&name);
    NAMES.iter().find(has).map(|names| names.what)
}

/// What a folder inside the documents of Windows 2000 and XP with this plain name is for.
pub(super) fn nested(name: &str) -> Option<Usual> {
    NAMES.iter().find(|names| names.nested.contains(&name)).map(|names| names.what)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_mean_one_thing_in_every_language() {
        for (name, what) in [
            ("Pictures", Some(Usual::Pictures)),
            ("Eigene Dateien", Some(Usual::Documents)),
            ("My Pictures", Some(Usual::Pictures)),
            // Decomposed, as a Mac keeps it.
            ("Te\u{301}le\u{301}chargements", Some(Usual::Downloads)),
            ("ONEDRIVE - Choir", Some(Usual::Cloud)),
            ("Movies", Some(Usual::Films)),
            ("Scores", None),
        ] {
            assert_eq!(usual(&plain(name)), what, "{name}");
        }
        assert_eq!((nested("eigene bilder"), nested("pictures")), (Some(Usual::Pictures), None));
        let mut all: Vec<(&str, Usual)> = Vec::new();
        for names in NAMES {
            for name in names.own.iter().chain(names.nested) {
                assert_eq!(plain(name), *name);
                assert!(all.iter().all(|(one, what)| one != name || *what == names.what), "{name}");
                all.push((name, names.what));
            }
        }
    }
}
