//! Mail stores, address books, calendars: which are all there is, and which are copies of an account.

use crate::survey::remember::rule::{HandOver, Mark, Rule, Topic};

const MAIL: Rule = Rule { topic: Topic::Mail, ..Rule::BASE };

pub(super) const RULES: &[Rule] = &[
    Rule {
        id: "outlook_store",
        what: "Outlook mail stores (PST)",
        marks: &[Mark::File("*.pst")],
        reason: "It stands where its owner put it, often outside of the usual folders, and exists nowhere else.",
        say: "They need no mail account: mail, contacts and calendar open in Outlook from the file alone.",
        ..MAIL
    },
    Rule {
        id: "outlook_copy",
        what: "Outlook's copies of mailboxes (OST)",
        marks: &[Mark::File("*.ost")],
        reason: "It looks like a mail store and opens only with the account that it was made for.",
        say: "This is a copy of a mailbox on a server. It opens only with that account: sign in to it again, and the mail \
              comes back from there. If the account is closed, say so now.",
        hand_over: HandOver::Account,
        ..MAIL
    },
    Rule {
        id: "outlook_new",
        what: "The new Outlook's copies of mailboxes",
        marks: &[Mark::Folder("microsoft/olk")],
        reason: "Nothing in it opens elsewhere.",
        say: "This is only a copy of what the mail account has: sign in to the account again.",
        hand_over: HandOver::Account,
        ..MAIL
    },
    Rule {
        id: "outlook_signatures",
        what: "Signatures for mail",
        marks: &[Mark::Folder("microsoft/signatures")],
        reason: "They stand among the program's data, and nobody remembers how they were made.",
        say: "The signatures under letters come along.",
        ..MAIL
    },
    Rule {
        id: "thunderbird",
        what: "Thunderbird mail",
        marks: &[
            Mark::FolderWith("thunderbird", "profiles.ini"),
            Mark::FolderWith(".thunderbird", "profiles.ini"),
            Mark::FolderWith("seamonkey", "profiles.ini"),
        ],
        pairs: &[("logins.json", "key*.db")],
        reason: "The profile stands in a hidden folder; profiles.ini says which part of it is in use.",
        say: "What stands in `Mail` needs no account. What stands in `ImapMail` is a copy of the account. The folder as it \
              is, with profiles.ini, goes to the new computer, saved passwords among it.",
        hand_over: HandOver::Together,
        ..MAIL
    },
    Rule {
        id: "windows_mail",
        what: "Windows Live Mail and Windows Mail",
        marks: &[Mark::Folder("microsoft/windows live mail"), Mark::Folder("microsoft/windows mail")],
        reason: "The program is gone from new computers; its mail is not.",
        say: "Each mail is a file of its own (.eml), which most mail programs take in. Passwords of the accounts do not \
              come along.",
        hand_over: HandOver::Together,
        ..MAIL
    },
    Rule {
        id: "outlook_express",
        what: "Outlook Express mail (DBX)",
        marks: &[
            Mark::FolderWith("*", "folders.dbx"),
            Mark::FolderWith("*", "inbox.dbx"),
            Mark::File("outlook express/*.dbx"),
        ],
        reason: "It stands deep in a hidden folder, and the program no longer exists.",
        say: "It needs no account, but today's programs need it converted first. The files belong together.",
        hand_over: HandOver::Together,
        ..MAIL
    },
    Rule {
        id: "windows_address_book",
        what: "Windows address books (WAB)",
        marks: &[Mark::File("*.wab")],
        reason: "Addresses do not stand with the mail.",
        say: "The addresses of Outlook Express are in here.",
        ..MAIL
    },
    Rule {
        id: "mail_app",
        what: "The Mail app's data",
        marks: &[Mark::Folder("comms/unistore"), Mark::Folder("comms/unistoredb")],
        reason: "Nothing in it opens elsewhere.",
        say: "This is only a copy of what the mail account has: sign in to the account again.",
        hand_over: HandOver::Account,
        ..MAIL
    },
    Rule {
        id: "apple_mail",
        what: "Apple Mail",
        marks: &[Mark::Folder("library/mail"), Mark::Folder("com.apple.mail/data/library/mail")],
        reason: "It stands in the hidden Library folder.",
        say: "What the account still has comes back from there; mailboxes `On My Mac` exist only here.",
        hand_over: HandOver::Together,
        ..MAIL
    },
    Rule {
        id: "evolution",
        what: "Evolution and KMail mail",
        marks: &[
            Mark::Folder(".local/share/evolution"),
            Mark::Folder(".evolution"),
            Mark::Folder(".var/app/org.gnome.evolution"),
            Mark::Folder(".local/share/local-mail"),
            Mark::Folder("share/apps/kmail"),
        ],
        reason: "It stands in a hidden folder.",
        say: "Local mail, contacts and calendars need no account; copies of accounts come back from there.",
        hand_over: HandOver::Together,
        ..MAIL
    },
    Rule {
        id: "em_client",
        what: "eM Client mail",
        marks: &[Mark::Folder("roaming/em client")],
        reason: "It stands in a hidden folder.",
        say: "The folder goes to the new computer as it is; passwords of the accounts are needed again.",
        hand_over: HandOver::Together,
        ..MAIL
    },
    Rule {
        id: "notes_mail",
        what: "Notes databases (NSF)",
        marks: &[Mark::File("*.nsf")],
        reason: "Mail and a firm's papers may be in one file.",
        say: "They open in Notes, with the person's ID file.",
        hand_over: HandOver::Key,
        in_programs: false,
        ..MAIL
    },
    Rule {
        id: "mailboxes",
        what: "Mailboxes as plain files",
        marks: &[Mark::Folder("*.mbox"), Mark::File("*.mbox"), Mark::File("*.mbx")],
        reason: "Exported mail stands where its owner put it.",
        say: "They need no account; most mail programs take them in.",
        in_programs: false,
        ..MAIL
    },
    Rule {
        id: "single_mails",
        what: "Mails kept as files",
        marks: &[Mark::File("*.eml"), Mark::File("*.msg"), Mark::File("*.emlx")],
        least: 5,
        gathered: true,
        in_programs: false,
        reason: "Whoever keeps single mails keeps them for a reason.",
        say: "Each is of use by itself.",
        ..MAIL
    },
    Rule {
        id: "contacts",
        what: "Contacts as files",
        marks: &[Mark::File("*.vcf"), Mark::File("*.ldif")],
        gathered: true,
        in_programs: false,
        reason: "Addresses do not stand with the mail.",
        say: "Address books take them in.",
        ..MAIL
    },
    Rule {
        id: "windows_contacts",
        what: "Contacts of Windows' own address book",
        marks: &[Mark::File("*.contact")],
        gathered: true,
        in_programs: false,
        reason: "Addresses do not stand with the mail, and other address books do not take these in.",
        // What opens and exports them: from memory.
        say: "One person each. Windows' own address book (the folder Contacts) opens them, and exports them for others.",
        ..MAIL
    },
    Rule {
        id: "calendars",
        what: "Calendars as files",
        marks: &[Mark::File("*.ics"), Mark::File("*.vcs")],
        gathered: true,
        in_programs: false,
        reason: "An exported calendar is easily taken for something else.",
        say: "Every calendar takes them in.",
        ..MAIL
    },
];
