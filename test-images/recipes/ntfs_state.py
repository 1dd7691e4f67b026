"""NTFS volumes in a state that the user must hear of: recycle bin, dirty, hibernated, deleted files."""
import os
import struct

from common import Tree, filetime, mkntfs, mounted, noise, numbered, pack, text
from ntfsedit import DATA, VOLUME_INFORMATION, Volume

BIN = '/$Recycle.Bin/S-1-5-21-1004336348-1177238915-682003330-'


def index_1(size, when, name):
    """$I as Windows Vista to 8.1 write it: 544 bytes, the name in 260 units."""
    return struct.pack('<QQQ', 1, size, filetime(when)) + name.encode('utf-16le').ljust(520, b'\0')


def index_2(size, when, name):
    """$I as Windows 10 writes it: the name's length in units, its NUL counted, then the name."""
    return struct.pack('<QQQI', 2, size, filetime(when), len(name.encode('utf-16le')) // 2 + 1) + (name + '\0').encode('utf-16le')


def ntfs_recycle():
    tree = Tree()
    tree.folder('/$Recycle.Bin')
    for user in ('1001', '1002'):
        tree.folder(BIN + user)
        tree.file(f'{BIN}{user}/desktop.ini', b'[.ShellClassInfo]\r\n')
    one, when = BIN + '1001', 1_300_000_000

    def pair(folder, code, ending, make, data, name, at):
        """The two files of one deleted thing; `data` is None for a folder, which is added by the caller."""
        if data is not None:
            tree.file(f'{folder}/$R{code}{ending}', data, f'original={name} deleted-at={at}')
        tree.file(f'{folder}/$I{code}{ending}', make(len(data or b''), at, name), 'recycle-index')

    pair(one, 'A1B2C3', '.txt', index_1, text(3000, 'r1'), 'C:\\Users\\Choir\\Documents\\Old programme.txt', when)
    pair(one, 'D4E5F6', '.jpg', index_2, noise(4000, 'r2'), 'C:\\Users\\Choir\\Pictures\\Sommerfest Ünï ✓ 楽譜.jpg', when + 86_400)
    pair(one, 'EMPTY0', '.txt', index_2, b'', 'C:\\Users\\Choir\\empty.txt', when + 90_000)
    pair(one, 'LONG00', '.txt', index_2, text(100, 'r3'), 'C:\\' + '\\'.join(['a rather long folder name'] * 12) + '\\deep.txt', when + 95_000)
    tree.folder(one + '/$RFOLDR', f'original=C:\\Users\\Choir\\Scores to sort deleted-at={when + 100_000}')
    tree.file(one + '/$RFOLDR/inside.txt', text(2500, 'in'))
    tree.folder(one + '/$RFOLDR/deeper')
    tree.file(one + '/$RFOLDR/deeper/also.mid', numbered(5000, 'also'))
    tree.file(one + '/$IFOLDR', index_1(7500, when + 100_000, 'C:\\Users\\Choir\\Scores to sort'), 'recycle-index')
    tree.file(one + '/$INOBODY.txt', index_2(1234, when + 200_000, 'C:\\Users\\Choir\\gone for good.txt'), 'recycle-index without-content')
    tree.file(one + '/$RNOINDX.txt', text(800, 'no index'), 'without-index')
    tree.file(one + '/$ISHORT.txt', struct.pack('<QQ', 2, 5), 'recycle-index broken')
    tree.file(one + '/$RSHORT.txt', b'index too short\n', 'without-index')
    tree.file(one + '/$ILIAR.txt', struct.pack('<QQQI', 2, 5, filetime(when), 0xFFFFFFFF) + b'C\0', 'recycle-index broken')
    tree.file(one + '/$RLIAR.txt', b'index says 4 billion letters\n', 'without-index')
    pair(BIN + '1002', 'ZZTOP1', '.csv', index_1, text(600, 'r4'), 'C:\\Users\\Hanna\\..\\list.csv', when + 300_000)
    tree.folder('/Users')
    tree.folder('/Users/Choir')
    tree.file('/Users/Choir/alive.txt', text(1000, 'alive'))
    tree.times('ntfs-recycle')
    image = mkntfs('ntfs-recycle.img', 4 << 20, '-c', '4096', label='recycle')
    with mounted(image) as mount:
        tree.write(mount)
    tree.truth('ntfs-recycle')
    pack('ntfs-recycle', image)


def modest(name, more=()):
    """A few files and what is to be said of the volume."""
    tree = Tree()
    for path in ('/Users', '/Users/Choir', '/Windows'):
        tree.folder(path)
    tree.file('/Users/Choir/minutes.txt', text(3000, name))
    tree.file('/Users/Choir/small.txt', b'small\r\n')
    for path, data in more:
        tree.file(path, data)
    tree.times(name)
    image = mkntfs(name + '.img', 4 << 20, '-c', '4096', label=name)
    with mounted(image) as mount:
        tree.write(mount)
    tree.truth(name)
    return image


def ntfs_dirty():
    """The flag that says: not unmounted in order. It stands in $Volume's record and in the mirror's copy of it."""
    image = modest('ntfs-dirty')
    with Volume(image) as volume:
        record = volume.record(3)
        at = volume.find(record, VOLUME_INFORMATION).value + 10
        struct.pack_into('<H', record, at, struct.unpack_from('<H', record, at)[0] | 1)
        volume.put_record(3, record)
    pack('ntfs-dirty', image)


def hibernated(name, magic):
    body = magic + bytes(4096 - len(magic)) + noise(4096, 'hibernation') + bytes(57_344)
    pack(name, modest(name, [('/hiberfil.sys', body), ('/pagefile.sys', bytes(65_536))]))


def ntfs_deleted():
    """Deleted files: untouched, with their record reused, with their clusters reused, and with a parent that is gone."""
    tree = Tree()
    for folder in ('/Keep', '/Gone', '/Gone/Deeper', '/Half'):
        tree.folder(folder)
    for at in range(12):
        tree.file(f'/Keep/kept {at:02}.txt', numbered(2000 + at * 777, f'kept{at}'))
        tree.file(f'/Half/half {at:02}.bin', numbered(6000 + at * 5000, f'half{at}'))
        tree.file(f'/Gone/gone {at:02}.txt', numbered(300 + at * 900, f'gone{at}'))
        tree.file(f'/Gone/Deeper/deeper {at:02}.txt', text(3000 + at, f'deeper{at}'))
    tree.stream('/Half/half 03.bin', 'remark', b'a stream of a file that goes\n')
    tree.times('ntfs-deleted')
    later = Tree()
    later.folder('/New')
    for at in range(9):
        later.file(f'/New/new {at:02}.bin', numbered(9000 + at * 4000, f'new{at}'))
    gone = {one[1] for one in tree.objects if one[1].startswith('/Gone') or (one[1].startswith('/Half/') and int(one[1][11:13]) % 2)}
    image = mkntfs('ntfs-deleted.img', 4 << 20, '-c', '4096', label='deleted')
    with mounted(image) as mount:
        tree.write(mount)
    where = {}
    with Volume(image) as volume:                      # where they lay while they lived
        for number, record in volume.records_in_use():
            data = volume.find(record, DATA)
            for name in volume.names(record):
                where[name] = number, struct.unpack_from('<H', record, 0x10)[0], data.runs if data and data.nonresident else []
    with mounted(image) as mount:
        for kind, path, *_ in reversed(tree.objects):
            if path in gone and kind != 'stream':
                (os.rmdir if kind == 'folder' else os.unlink)(mount + path)
    with mounted(image) as mount:                      # a new session: records and clusters are handed out again
        later.write(mount)
    with Volume(image) as volume:
        bits = volume.find(volume.record(6), DATA)
        bitmap = volume.content(bits)
        for kind, path, *_ in tree.objects:
            if path.split(':')[0] not in gone:
                continue
            number, sequence, runs = where[path.split(':')[0].rsplit('/', 1)[1]]
            words = f'deleted record={number} sequence={sequence}'
            if struct.unpack_from('<H', volume.record(number), 0x16)[0] & 1:
                words += ' record-reused'
            taken = sum(bitmap[at // 8] >> at % 8 & 1 for first, count in runs for at in range(first, first + count))
            if taken and kind == 'file':
                words += f' clusters-reused={taken}'
            tree.note(path, words)
    tree.objects += later.objects
    tree.truth('ntfs-deleted')
    pack('ntfs-deleted', image)


RECIPES = {
    'ntfs-recycle': ntfs_recycle,
    'ntfs-dirty': ntfs_dirty,
    'ntfs-hibernated': lambda: hibernated('ntfs-hibernated', b'hibr'),
    'ntfs-faststart': lambda: hibernated('ntfs-faststart', b'HIBR'),
    'ntfs-resumed': lambda: hibernated('ntfs-resumed', b'wake'),
    'ntfs-deleted': ntfs_deleted,
}
