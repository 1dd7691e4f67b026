//! Backups of phones, and messages.

use crate::survey::remember::rule::{HandOver, Mark, Rule, Topic};

const PHONES: Rule = Rule { topic: Topic::Phones, ..Rule::BASE };

pub(super) const RULES: &[Rule] = &[
    Rule {
        id: "iphone_backup",
        what: "Backups of iPhones and iPads",
        marks: &[Mark::Folder("mobilesync/backup/*")],
        pairs: &[("info.plist", "manifest.plist"), ("manifest.plist", "manifest.*b*")],
        reason: "It stands in a hidden folder, is large, and may be the only copy of the phone's pictures.",
        say: "The folder goes back to a phone as one. Whether it needs a password does not show from outside: ask for the \
              one that was set for backups.",
        hand_over: HandOver::Together,
        ..PHONES
    },
    Rule {
        id: "android_backup",
        what: "Backups of Android phones",
        marks: &[
            Mark::File("*.ab"),
            Mark::Folder("smartswitch/backup"),
            Mark::Folder("smart switch/backup"),
            Mark::Folder("kies3/backup"),
            Mark::Folder("kies/backup"),
            Mark::Folder("hisuite/backup"),
            Mark::Folder("huaweibackup"),
            Mark::Folder("miui/backup"),
        ],
        in_programs: false,
        reason: "The maker's program keeps it where nobody looks.",
        say: "It goes back to a phone through the maker's own program, some of them only with a password.",
        hand_over: HandOver::Together,
        ..PHONES
    },
    Rule {
        id: "whatsapp_backup",
        what: "WhatsApp, copied from a phone",
        marks: &[Mark::FolderWith("*", "msgstore*.db.crypt*"), Mark::FolderWith("whatsapp", "databases")],
        reason: "Messages and pictures of years may be in it.",
        say: "Pictures open as they are. Messages are encrypted: only the phone number's own account opens them.",
        hand_over: HandOver::Together,
        ..PHONES
    },
    Rule {
        id: "messengers",
        what: "Messengers",
        marks: &[
            Mark::Folder("roaming/whatsapp"),
            Mark::Folder("packages/*whatsappdesktop*"),
            Mark::Folder("roaming/signal"),
            Mark::FolderWith("telegram desktop", "tdata"),
            Mark::FolderWith("skype", "shared.xml"),
            Mark::Folder("roaming/viberpc"),
            Mark::Folder(".config/signal"),
            Mark::Folder("application support/signal"),
            Mark::Folder("application support/whatsapp"),
        ],
        reason: "People take what they see on the screen for what is on the drive.",
        say: "Most of it is a copy that belongs to the phone or the account: sign in there again. What a messenger kept only \
              here (Signal) is locked to the login on this computer.",
        hand_over: HandOver::Account,
        ..PHONES
    },
];
