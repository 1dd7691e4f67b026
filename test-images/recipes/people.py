"""A computer on which two people kept their things in the places where programs and cloud folders put them."""
from common import Tree, mkntfs, mounted, noise, pack, text

HANNA = '/Users/Hanna'
LOCAL = HANNA + '/AppData/Local'
ROAMING = HANNA + '/AppData/Roaming'


class Deep(Tree):
    """A tree that makes the folders on the way to what is put into it."""

    def __init__(self):
        super().__init__()
        self.made = {''}

    def way(self, folder, note=''):
        parts = folder.split('/')[1:]
        for count in range(1, len(parts) + 1):
            path = '/' + '/'.join(parts[:count])
            if path not in self.made:
                self.made.add(path)
                self.folder(path)
        if note:
            self.note(folder, note)

    def put(self, path, size, note=''):
        self.way(path.rsplit('/', 1)[0])
        self.file(path, noise(size, path), note)


def cloud(tree):
    """The usual folders, moved into a cloud folder; the ones in the profile are all but empty."""
    for number in range(12):
        tree.put(f'{HANNA}/OneDrive/Pictures/Outing 2019/IMG_{number:04}.jpg', 900 + number)
    for number in range(5):
        tree.put(f'{HANNA}/OneDrive/Documents/Letter {number}.odt', 400 + number)
    tree.put(HANNA + '/OneDrive/Desktop/programme.pdf', 700)
    tree.put(HANNA + '/OneDrive/Scores/alto.mscz', 500)
    for number in range(4):
        tree.put(f'{HANNA}/OneDrive - Choir/Documents/Minutes {number}.docx', 450 + number)
    tree.put(HANNA + '/Documents/left behind.txt', 60)
    tree.way(HANNA + '/Pictures')


def programs(tree):
    """What is easily forgotten. `remember=` names the rule on the path that the list must name."""
    tree.put(HANNA + '/NTUSER.DAT', 2000)
    tree.put(LOCAL + '/Microsoft/Outlook/hanna.ost', 3000, 'remember=outlook_copy')
    tree.put(HANNA + '/Documents/Outlook Files/old mail.pst', 5000, 'remember=outlook_store')
    for name in ('profiles.ini', 'Profiles/x.default/prefs.js', 'Profiles/x.default/Mail/Local Folders/Inbox'):
        tree.put(f'{ROAMING}/Thunderbird/{name}', 800)
    tree.note(ROAMING + '/Thunderbird', 'remember=thunderbird')
    for name in ('profiles.ini', 'Profiles/y.default/places.sqlite', 'Profiles/y.default/logins.json'):
        tree.put(f'{ROAMING}/Mozilla/Firefox/{name}', 700)
    tree.note(ROAMING + '/Mozilla/Firefox', 'remember=firefox lacking=key*.db')
    for name in ('Local State', 'Default/Bookmarks', 'Default/Login Data', 'Default/Cache/f_000001'):
        tree.put(f'{LOCAL}/Google/Chrome/User Data/{name}', 600)
    tree.note(LOCAL + '/Google/Chrome/User Data', 'remember=chromium_windows')
    backup = ROAMING + '/Apple Computer/MobileSync/Backup/00008030-001A2B'
    for name in ('Info.plist', 'Manifest.plist', 'Manifest.db', '00/0012', 'a1/a1b2'):
        tree.put(f'{backup}/{name}', 300)
    tree.note(backup, 'remember=iphone_backup')
    tree.put(HANNA + '/OneDrive/Documents/keys.kdbx', 900, 'remember=password_stores')
    tree.put(HANNA + '/OneDrive/Pictures/Lightroom/Choir.lrcat', 2000, 'remember=lightroom')
    tree.put(HANNA + '/OneDrive/Documents/BitLocker Recovery Key 0012.txt', 200, 'remember=bitlocker_key')
    for name in ('MEMBERS.DBF', 'FEES.DBF', 'MEMBERS.CDX'):
        tree.put('/Till/' + name, 1500)
    tree.note('/Till', 'remember=dbase')
    data = '/Program Files/Microsoft SQL Server/MSSQL12.CHOIR/MSSQL/DATA'
    for name in ('choir.mdf', 'choir_log.ldf'):
        tree.put(f'{data}/{name}', 4000)
    tree.note(data, 'remember=sql_server')
    tree.put('/ProgramData/Lexware/company.dat', 800)
    tree.note('/ProgramData/Lexware', 'remember=accounting')
    # Samples that a program brings along, and the system's own, are nobody's.
    tree.put('/Program Files/Choir Planner/Samples/sample.ics', 300)
    tree.put('/Windows/System32/ias/ias.mdb', 300)


def others(tree):
    """An older profile as Windows XP had it, in German; a former Windows; what all share."""
    otto = '/Documents and Settings/Otto'
    for number in range(3):
        tree.put(f'{otto}/Eigene Dateien/Brief {number}.doc', 500 + number)
    for number in range(6):
        tree.put(f'{otto}/Eigene Dateien/Eigene Bilder/Chor {number}.jpg', 600 + number)
    tree.put(otto + '/Favoriten/choir.url', 100, 'remember=favorites')
    mail = otto + '/Lokale Einstellungen/Anwendungsdaten/Identities/{0012}/Microsoft/Outlook Express'
    for name in ('Folders.dbx', 'Posteingang.dbx'):
        tree.put(f'{mail}/{name}', 1200)
    tree.note(mail, 'remember=outlook_express')
    tree.put('/Documents and Settings/LocalService/NTUSER.DAT', 300)
    tree.put('/Windows.old/Users/Hanna/Documents/from before.odt', 900)
    tree.note('/Windows.old', 'remember=former_windows')
    for name in ('Hall rules.txt', 'Member list.csv'):
        tree.put('/Users/Public/Documents/' + name, 400)
    tree.note('/Users/Public', 'remember=public')
    for number in range(4):
        tree.put(f"/Otto's films/concert {number}.mp4", 3000 + number)
    tree.note("/Otto's films", 'remember=large_in_root')


def people():
    tree = Deep()
    for part in (cloud, programs, others):
        part(tree)
    tree.file('/pagefile.sys', text(2000, 'page'))
    tree.times('people')
    image = mkntfs('people.img', 6 << 20, '-c', '4096', label='people')
    with mounted(image) as mount:
        tree.write(mount)
    tree.truth('people')
    pack('people', image)


RECIPES = {'people': people}
