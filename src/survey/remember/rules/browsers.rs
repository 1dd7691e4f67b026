//! Browsers: what comes along, and what is bound to the old computer.

use crate::survey::remember::rule::{HandOver, Mark, Rule, Topic};

const BROWSERS: Rule = Rule { topic: Topic::Browsers, ..Rule::BASE };

pub(super) const RULES: &[Rule] = &[
    Rule {
        id: "firefox",
        what: "Firefox",
        marks: &[Mark::FolderWith("firefox", "profiles.ini"), Mark::FolderWith("waterfox", "profiles.ini")],
        pairs: &[("logins.json", "key*.db")],
        reason: "The profile stands in a hidden folder.",
        say: "Bookmarks and saved passwords both come along. The passwords are in logins.json and key4.db, which belong \
              together; if a primary password was set, it is needed.",
        hand_over: HandOver::Together,
        ..BROWSERS
    },
    Rule {
        id: "chromium_windows",
        what: "Chrome, Edge and browsers like them, on Windows",
        marks: &[
            Mark::FolderWith("user data", "local state"),
            Mark::FolderWith("user data", "default"),
            Mark::FolderWith("opera software/opera *", "local state"),
        ],
        reason: "People count on saved passwords, and these stay behind.",
        say: "Bookmarks come along. Saved passwords do not: Windows locked them to the login on this computer. They are \
              there again after signing in to the browser's account, if it kept them; else each has to be set anew.",
        hand_over: HandOver::Account,
        ..BROWSERS
    },
    Rule {
        id: "chromium",
        what: "Chrome and browsers like it, on Linux and Macs",
        marks: &[
            Mark::FolderWith(".config/google-chrome*", "local state"),
            Mark::FolderWith(".config/chromium", "local state"),
            Mark::FolderWith(".config/microsoft-edge*", "local state"),
            Mark::FolderWith(".config/vivaldi*", "local state"),
            Mark::FolderWith(".config/opera*", "local state"),
            Mark::FolderWith("brave-browser", "local state"),
            Mark::FolderWith("google/chrome", "local state"),
            Mark::FolderWith("application support/chromium", "local state"),
            Mark::FolderWith("application support/microsoft edge", "local state"),
            Mark::FolderWith("application support/vivaldi", "local state"),
            Mark::FolderWith("application support/com.operasoftware.opera", "local state"),
        ],
        reason: "People count on saved passwords, and these mostly stay behind.",
        say: "Bookmarks come along. Saved passwords are locked with a key in the computer's own keyring: without that they \
              can't be read, and are there again only after signing in to the browser's account.",
        hand_over: HandOver::Account,
        ..BROWSERS
    },
    Rule {
        id: "safari",
        what: "Safari",
        marks: &[Mark::Folder("library/safari")],
        reason: "It stands in the hidden Library folder.",
        say: "Bookmarks come along. Saved passwords are in the keychain.",
        ..BROWSERS
    },
    Rule {
        id: "favorites",
        what: "Favourites of Internet Explorer",
        marks: &[
            Mark::File("favorites/*.url"),
            Mark::File("favorites/links/*.url"),
            Mark::File("favoriten/*.url"),
            Mark::File("favoris/*.url"),
        ],
        gathered: true,
        reason: "New browsers don't look there by themselves.",
        say: "Each bookmark is a small file; browsers can take the folder in. Saved passwords do not come along: Windows \
              locked them to the login on this computer.",
        ..BROWSERS
    },
    Rule {
        id: "edge_legacy",
        what: "The first Edge",
        marks: &[Mark::Folder("microsoft.microsoftedge_*/ac/microsoftedge/user/default/datastore")],
        reason: "Its favourites are in a database.",
        say: "Favourites are in a database that only this Edge reads. Saved passwords do not come along: Windows locked \
              them to the login on this computer.",
        hand_over: HandOver::Together,
        ..BROWSERS
    },
];
