//! Names that operating systems give to folders and files, in lower case.
//!
//! They are facts of the systems named beside them (common practice; seen on installations, no single source).

/// Folders whose sub-folders are people's profiles: Windows since Vista and Macs, Windows 2000 and XP, the same in
/// German.
pub(super) const PROFILE_FOLDERS: &[&str] = &["users", "documents and settings", "dokumente und einstellungen"];

/// The same on Linux; such a folder is also made by people.
pub(super) const HOMES: &str = "home";

/// The same on Windows 95 to NT, inside the folder of Windows.
pub(super) const OLD_PROFILES: &str = "profiles";

/// The folders of Windows.
pub(super) const WINDOWS: &[&str] = &["windows", "winnt"];

/// What is people's in the folder of Windows: profiles, and on Windows 95 to Me also where there are none.
pub(super) const PEOPLES_IN_WINDOWS: &[&str] =
    &["profiles", "application data", "local settings", "desktop", "favorites"];

/// How the names begin under which an installation of Windows puts the former one aside.
pub(super) const FORMER: &str = "windows.old";

/// What only stands in profiles, and so shows one that stands somewhere else.
pub(super) const PROFILE_MARKS: &[&str] = &["ntuser.dat", ".bashrc", ".bash_history", ".zsh_history"];

/// Profiles that are nobody's: templates, what all share, and those of services.
pub(super) const NOBODY: &[&str] = &[
    "public",
    "default",
    "default user",
    "all users",
    "shared",
    "defaultappuser",
    "defaultuser0",
    "localservice",
    "networkservice",
    "wdagutilityaccount",
    "lost+found",
];

/// How the names of services' profiles begin.
pub(super) const NOBODY_BEGINS: &[&str] = &["mssql$", "mssqlfdlauncher", "localservice.", "networkservice.", ".net "];

/// The folders of a profile in which programs keep theirs.
pub(super) const PROGRAMS_FOLDERS: &[&str] = &[
    "appdata",
    "application data",
    "local settings",
    "cookies",
    "nethood",
    "printhood",
    "recent",
    "sendto",
    "start menu",
    "templates",
    "intelgraphicsprofiles",
    "microsoftedgebackups",
    // Windows 2000 and XP in German, French, Spanish, Italian
    "anwendungsdaten",
    "lokale einstellungen",
    "netzwerkumgebung",
    "druckumgebung",
    "startmenü",
    "menu démarrer",
    "voisinage réseau",
    "voisinage d'impression",
    "datos de programa",
    "configuración local",
    "menú inicio",
    "dati applicazioni",
    "impostazioni locali",
    "menu avvio",
    // Macs
    "library",
    "applications",
    // Linux
    "snap",
];

/// How the names of a profile's own files begin.
pub(super) const PROFILE_FILES: &[&str] = &["ntuser."];

/// Recycle bins: Windows since Vista, Windows NT to XP, Windows 95, Macs, Linux.
pub(super) const RECYCLE_BINS: &[&str] = &["$recycle.bin", "recycler", "recycled", ".trashes", ".trash-1000"];

/// Folders in the root that belong to Windows or to installed programs.
pub(super) const SYSTEM_ROOT_FOLDERS: &[&str] = &[
    "$extend",
    "$getcurrent",
    "$sysreset",
    "$windows.~bt",
    "$windows.~ws",
    "$winreagent",
    "amd",
    "boot",
    "config.msi",
    "drivers",
    "efi",
    "esd",
    "intel",
    "msocache",
    "nvidia",
    "onedrivetemp",
    "perflogs",
    "program files",
    "program files (arm)",
    "program files (x86)",
    "programdata",
    "recovery",
    "swsetup",
    "system volume information",
    "windows",
    "winnt",
];

/// Of these the ones in which installed programs keep their own things, and often people's work.
pub(super) const PROGRAMS_ROOT_FOLDERS: &[&str] =
    &["program files", "program files (arm)", "program files (x86)", "programdata"];

/// Folders in the root of a Linux system that are its own. `srv`, `opt` and people's folders are not.
pub(super) const LINUX_ROOT_FOLDERS: &[&str] = &[
    "bin", "boot", "cdrom", "dev", "etc", "lib", "lib32", "lib64", "libx32", "proc", "run", "sbin", "snap", "sys",
    "tmp", "usr", "var",
];

/// Folders in the root of a Mac's system that are its own.
pub(super) const MAC_ROOT_FOLDERS: &[&str] = &[
    ".documentrevisions-v100",
    ".fseventsd",
    ".spotlight-v100",
    "applications",
    "bin",
    "cores",
    "dev",
    "library",
    "network",
    "private",
    "sbin",
    "system",
    "usr",
    "volumes",
];

/// Of the last two the ones in which programs keep people's data, too.
pub(super) const DATA_OF_SYSTEMS: &[&str] = &["applications", "library", "var"];

/// Files in the root that belong to Windows.
pub(super) const SYSTEM_ROOT_FILES: &[&str] = &[
    "autoexec.bat",
    "boot.ini",
    "bootfont.bin",
    "bootmgr",
    "bootnxt",
    "bootsect.bak",
    "config.sys",
    "dumpstack.log",
    "dumpstack.log.tmp",
    "hiberfil.sys",
    "io.sys",
    "msdos.sys",
    "ntdetect.com",
    "ntldr",
    "pagefile.sys",
    "swapfile.sys",
];

/// Endings of pictures, raw data of cameras among them.
pub(super) const PICTURES: &[&str] = &[
    "3fr", "arw", "avif", "bmp", "cr2", "cr3", "crw", "dcr", "dib", "dng", "erf", "gif", "heic", "heif", "hif", "iiq",
    "jfif", "jpe", "jpeg", "jpg", "kdc", "mef", "mos", "mpo", "mrw", "nef", "nrw", "orf", "ori", "pef", "png", "psd",
    "raf", "raw", "rw2", "rwl", "sr2", "srf", "srw", "tif", "tiff", "webp", "x3f",
];

/// Endings of films.
pub(super) const FILMS: &[&str] = &[
    "3g2", "3gp", "asf", "avi", "dv", "flv", "m2t", "m2ts", "m4v", "mkv", "mod", "mov", "mp4", "mpeg", "mpg", "mts",
    "mxf", "tod", "ts", "vob", "webm", "wmv",
];

/// Endings of music and other sound.
pub(super) const MUSIC: &[&str] = &[
    "aac", "aif", "aiff", "amr", "ape", "flac", "m3u", "m4a", "m4b", "m4p", "mid", "midi", "mka", "mp2", "mp3", "oga",
    "ogg", "opus", "wav", "wma",
];

/// Endings of letters, tables, slides, books, notes and scores.
pub(super) const DOCUMENTS: &[&str] = &[
    "csv", "djvu", "doc", "docm", "docx", "dot", "dotx", "epub", "htm", "html", "key", "mdb", "accdb", "mobi", "mscz",
    "musicxml", "numbers", "odg", "odp", "ods", "odt", "one", "ott", "pages", "pdf", "pps", "ppsx", "ppt", "pptm",
    "pptx", "pub", "rtf", "tex", "txt", "vsd", "vsdx", "wpd", "wps", "xls", "xlsb", "xlsm", "xlsx", "xps",
];

/// Endings of mail, address books and calendars.
pub(super) const MAIL: &[&str] =
    &["contact", "dbx", "eml", "emlx", "ics", "mbox", "mbx", "msf", "msg", "nsf", "ost", "pst", "vcf", "wab"];

/// Endings of archives and images of disks.
pub(super) const ARCHIVES: &[&str] = &[
    "7z", "bkf", "bz2", "cab", "dmg", "gz", "img", "iso", "rar", "tar", "tgz", "vhd", "vhdx", "vmdk", "wim", "xz",
    "zip",
];
