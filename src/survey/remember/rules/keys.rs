//! Keys and passwords, and what can't be opened without them.

use crate::survey::remember::rule::{HandOver, Mark, Rule, Topic};

const KEYS: Rule = Rule { topic: Topic::Keys, ..Rule::BASE };

pub(super) const RULES: &[Rule] = &[
    Rule {
        id: "encrypted_files",
        what: "Files that Windows encrypted",
        marks: &[Mark::Locked],
        reason: "They look like any other file, and without the certificate nobody ever opens them again.",
        say: "They need the certificate of the Windows login that encrypted them: from a backup of the certificate, or from \
              this installation of Windows and its password. They are not copied.",
        hand_over: HandOver::Key,
        ..KEYS
    },
    Rule {
        id: "password_stores",
        what: "Password stores",
        marks: &[
            Mark::File("*.kdbx"),
            Mark::File("*.kdb"),
            Mark::File("*.psafe3"),
            Mark::File("*.enpassdb"),
            Mark::File("*.1pif"),
            Mark::File("*.1pux"),
            Mark::Folder("*.opvault"),
            Mark::Folder("*.agilekeychain"),
            Mark::Folder("roaming/1password"),
            Mark::Folder("local/1password"),
            Mark::Folder("roaming/bitwarden"),
            Mark::Folder("share/keyrings"),
            Mark::Folder("kwalletd"),
            Mark::Folder("library/keychains"),
        ],
        in_programs: false,
        reason: "All other passwords are in it.",
        say: "It opens only with its master password. Who knows it has all passwords back.",
        hand_over: HandOver::Key,
        ..KEYS
    },
    Rule {
        id: "wallets",
        what: "Wallets",
        marks: &[
            Mark::File("wallet.dat"),
            Mark::Folder("electrum/wallets"),
            Mark::Folder("ethereum/keystore"),
            Mark::Folder("roaming/exodus"),
            Mark::FolderWith("multibit*", "*.wallet"),
        ],
        reason: "Money may be in it, and nobody can give it back.",
        say: "Money may be in here. It opens only with its own password. Keep the copy safe.",
        hand_over: HandOver::Key,
        ..KEYS
    },
    Rule {
        id: "bitlocker_key",
        what: "BitLocker recovery keys",
        marks: &[
            Mark::File("bitlocker*key*.txt"),
            Mark::File("bitlocker*schlüssel*.txt"),
            Mark::File("*récupération*bitlocker*.txt"),
            Mark::File("*.bek"),
        ],
        reason: "It may open another drive of the customer's.",
        say: "With this key a drive that Windows encrypted can be opened: ask which one it belongs to.",
        in_programs: false,
        ..KEYS
    },
    Rule {
        id: "licence_keys",
        what: "Licence keys",
        marks: &[
            Mark::File("*licen*key*.txt"),
            Mark::File("*product*key*.txt"),
            Mark::File("*serial*number*.txt"),
            Mark::File("*seriennummer*"),
            Mark::File("*lizenzschlüssel*"),
        ],
        gathered: true,
        in_programs: false,
        reason: "Programs have to be installed again.",
        say: "By their names these hold what is needed to install bought programs again.",
        ..KEYS
    },
    Rule {
        id: "certificates",
        what: "Certificates",
        marks: &[Mark::File("*.pfx"), Mark::File("*.p12")],
        gathered: true,
        in_programs: false,
        reason: "A login at the tax office or a bank may hang on it.",
        say: "A login may hang on such a file, and on its password.",
        hand_over: HandOver::Key,
        ..KEYS
    },
    Rule {
        id: "ssh_keys",
        what: "Keys of SSH and GnuPG",
        marks: &[Mark::Folder(".ssh"), Mark::Folder(".gnupg"), Mark::Folder("roaming/gnupg")],
        least: 2,
        reason: "Access to servers and encrypted mail hangs on them.",
        say: "These keys open other computers and encrypted mail. Keep the copy safe.",
        hand_over: HandOver::Together,
        ..KEYS
    },
    Rule {
        id: "encrypted_containers",
        what: "Encrypted containers",
        marks: &[Mark::File("*.hc"), Mark::File("*.tc"), Mark::Folder("*.sparsebundle"), Mark::File("*.sparseimage")],
        in_programs: false,
        reason: "By the name only: from outside it is noise.",
        say: "By their names these may be encrypted containers, which hold other files. They open only with their password.",
        hand_over: HandOver::Key,
        ..KEYS
    },
    Rule {
        id: "encrypted_papers",
        what: "Encrypted single files",
        marks: &[Mark::File("*.gpg"), Mark::File("*.pgp"), Mark::File("*.axx")],
        gathered: true,
        in_programs: false,
        reason: "By the name only.",
        say: "By their names these are encrypted, each with its own key or password.",
        hand_over: HandOver::Key,
        ..KEYS
    },
];
