"""NTFS volumes that differ in how the volume itself is laid out: cluster and record sizes, names, $MFT."""
import contextlib
import os
import re

from common import Sparse, Tree, mkntfs, mounted, numbered, pack, text, write_truth
from ntfsedit import Volume

# One folder name and three file names for each of six scripts, and what it takes to write them.
SCRIPTS = {
    'Ελληνικά': ['πρόβα χορωδίας.txt', 'μέλη.csv', 'Ύμνος.txt'],
    'Русский': ['протокол собрания.txt', 'список.csv', 'ёлка.txt'],
    '日本語': ['合唱団の記録.txt', '楽譜.csv', 'がぎぐ.txt'],
    '한국어': ['합창단 회의.txt', '명단.csv', '노래.txt'],
    'עברית': ['מקהלה.txt', 'חברים.csv', 'שיר.txt'],
    'العربية': ['محضر الاجتماع.txt', 'الأعضاء.csv', 'نشيد.txt'],
}

# Names which are legal on the disk but trouble a program that prints, copies or parses them.
ODD_NAMES = [
    '100% sure.txt', 'already%20there.txt', 'lit%0Aeral.txt', 'lit%25eral.txt', '%', '%41.txt', '%%%d%s%n.txt',
    'trailing dot.', 'trailing dots...', 'trailing space ', ' leading space', '..foo', '...', '.hidden', '~',
    'two  spaces.txt', 'quote"double.txt', "quote'single.txt", 'star*.txt', 'question?.txt', 'less<more>.txt',
    'pipe|.txt', 'back\\slash.txt', 'semi;colon.txt', 'comma,name.txt', '=SUM(A1).csv', '-dash.txt', '--help',
    '$dollar.txt', '`tick`.txt', '&amp;.txt', '<b>bold<', '#hash.txt', 'new\nline.txt', 'tab\there.txt',
    'return\rhere.txt', 'bell\x07.txt', 'red \x1b[31mname\x1b[0m.txt', 'title \x1b]0;owned\x07.txt', 'delete\x7f.txt',
    'c1\x9b31m.txt', 'right\u202eto left gpj.txt', 'zero\u200bwidth.txt', 'bom\ufeff.txt', 'line\u2028sep.txt',
    'CON', 'nul.txt', 'COM1.log', 'aux', 'LPT9.', 'com¹.txt',
    'Café composed.txt', 'Cafe\u0301 decomposed.txt', 'Å.txt', 'A\u030a.txt', 'ﬁ ligature.txt', 'straße.txt',
    'STRASSE.txt', 'İi.txt', 'ıI.txt', 'ǅ.txt', '🎉 party.txt', '👩‍👩‍👧 family.txt', '𝄞 clef.txt', '\U0010FFFD.txt',
]


def odd_tree():
    tree = Tree()
    tree.folder('/Scripts')
    for folder, names in SCRIPTS.items():
        tree.folder(f'/Scripts/{folder}')
        for name in names:
            tree.file(f'/Scripts/{folder}/{name}', numbered(900 + len(name), 'script') + name.encode())
    tree.folder('/Odd names')
    for at, name in enumerate(ODD_NAMES):
        tree.file(f'/Odd names/{name}', f'odd {at}: {name!r}\n'.encode())
    tree.folder('/Odd names/folder.')
    tree.file('/Odd names/folder./inside', b'below a folder whose name ends in a dot\n')
    tree.folder('/Odd names/folder ')
    tree.file('/Odd names/folder /inside', b'below a folder whose name ends in a space\n')
    tree.folder('/Odd names/re\x1b[1md')
    tree.file('/Odd names/re\x1b[1md/inside', b'below a folder with an escape sequence\n')
    tree.folder('/Case')
    for name in ('A.txt', 'a.txt', 'ä.txt', 'Ä.txt', 'README', 'readme', 'ReadMe'):
        tree.file(f'/Case/{name}', f'only the case differs: {name}\n'.encode())
    for name in ('Songs', 'songs'):
        tree.folder(f'/Case/{name}')
        tree.file(f'/Case/{name}/one.txt', f'in {name}\n'.encode())
    tree.folder('/Long names')
    tree.file('/Long names/' + '合' * 255, b'255 units, 765 bytes\n')
    tree.file('/Long names/' + '🎵' * 127 + 'x', b'255 units, 509 bytes\n')
    tree.file('/Long names/' + 'n' * 251 + '.txt', b'255 units, 255 bytes\n')
    tree.file('/Long names/' + 'n' * 250 + 'N.txt', b'255 units, the last before the dot differs\n')
    deep = ''
    for level in range(1, 41):
        deep += f'/level {level}'
        tree.folder(deep)
    tree.file(deep + '/bottom.txt', b'forty folders down\n')
    wide = ''
    for level in range(1, 7):
        wide += '/' + f'{level} ' + '深' * 200
        tree.folder(wide)
    tree.file(wide + '/bottom.txt', b'a path of 3,600 bytes\n')
    return tree


def sized(tree, folder='/Sizes'):
    """Files whose lengths lie at and around every border."""
    tree.folder(folder)
    for size in (0, 1, 511, 512, 513, 700, 1023, 1024, 1025, 4095, 4096, 4097, 8192, 65535, 65536, 65537, 100_000):
        tree.file(f'{folder}/{size}.bin', numbered(size, f's{size}'))


def crowd(tree, folder, count):
    """A folder so full that its index leaves the record."""
    tree.folder(folder)
    for at in range(count):
        tree.file(f'{folder}/song {at:04} {"la" * (at % 9)}.txt', b'%d\n' % at if at % 7 else b'')


def write_in_steps(path, data, step):
    """ntfs-3g finds scattered free clusters only if it is asked for few at a time."""
    with open(path, 'wb', buffering=0) as file:
        for at in range(0, len(data), step):
            file.write(data[at:at + step])


def until_full(path, step):
    """Let a file of zeros take all space that is left."""
    with open(path, 'wb', buffering=0) as file, contextlib.suppress(OSError):
        while file.write(bytes(step)):
            pass


def gaps(image, folder, count, size):
    """Fill a volume but for small gaps; gives the small files that stay between them.

    ntfs-3g keeps a file together as long as it can, so it must be left no choice: many small files and a large
    one fill the volume, then every second small one, in the order of their clusters, goes.
    """
    small = {f'spacer {at:04}': numbered(size, f'g{at}') for at in range(count)}
    with mounted(image) as mount:
        os.mkdir(mount + folder)
        for name, data in small.items():
            with open(f'{mount}{folder}/{name}', 'wb') as file:
                file.write(data)
        until_full(mount + folder + '/filler', max(size, 4096))
        with open(mount + folder + '/filler', 'ab', buffering=0) as file, contextlib.suppress(OSError):
            while file.write(bytes(512)):
                pass
    with Volume(image) as volume:
        order = sorted(small, key=volume.first_clusters().get)
    with mounted(image) as mount:
        for name in order[::2]:
            os.unlink(f'{mount}{folder}/{name}')
    return {f'{folder}/{name}': small[name] for name in sorted(order[1::2])}


def fragmented(image, tree, folder, count, spacers, unit):
    """`count` files in many pieces of one cluster or two."""
    left = gaps(image, folder, spacers, unit)
    tree.folder(folder)
    each = spacers // 2 * 4 // 5 // count * unit
    with mounted(image) as mount:
        for at in range(count):
            path, data = f'{folder}/pieces {at}.bin', numbered(each - 100, f'pcs{at}')
            write_in_steps(mount + path, data, min(unit, 4096))
            tree.file(path, data, 'fragmented')
        os.unlink(mount + folder + '/filler')
    for path, data in left.items():
        tree.file(path, data)


def plain(name, size, *options, crowded=40, pieces=4096, sector=512):
    """One modest tree for every cluster and record size."""
    tree = Tree()
    sized(tree)
    crowd(tree, '/Crowd', crowded)
    tree.folder('/Empty')
    tree.folder('/Ünï ✓')
    tree.file('/Ünï ✓/Ночь.txt', text(3000, name))
    tree.hardlink('/Ünï ✓/again.txt', '/Sizes/4097.bin')
    tree.times(name)
    image = mkntfs(name + '.img', size, *options, label=name, sector=sector)
    with mounted(image) as mount:
        tree.write(mount)
    if pieces:
        fragmented(image, tree, '/Pieces', 2, 40, pieces)
    tree.truth(name)
    pack(name, image)


def ntfs_c4k():
    tree = odd_tree()
    sized(tree)
    tree.folder('/Empty folder')
    tree.folder('/Empty folder/inner')
    crowd(tree, '/Crowd', 330)
    tree.times('ntfs-c4k')
    image = mkntfs('ntfs-c4k.img', 8 << 20, '-c', '4096', label='Village choir')
    with mounted(image) as mount:
        tree.write(mount)
    tree.truth('ntfs-c4k')
    pack('ntfs-c4k', image)


def ntfs_mftfrag():
    """$MFT in so many pieces that it needs an attribute list of its own: it has to grow into small gaps.

    The gaps have three clusters of 512 bytes and a record takes two, so some records lie in two places.
    An index block (eight clusters) finds no room there, so the new files go into folders made before, four into
    each: so few stand in the folder's record.
    """
    tree = Tree()
    image = mkntfs('ntfs-mftfrag.img', 6 << 20, '-c', '512', label='mftfrag')
    left = gaps(image, '/Gaps', 700, 1500)
    tree.folder('/Gaps')
    for path, data in left.items():
        tree.file(path, data)
    tree.folder('/Empty')
    create = lambda path: open(mount + path, 'wb').close()
    with mounted(image) as mount:
        holder = mount + '/Gaps/holds the gaps'
        until_full(holder, 512)
        os.truncate(mount + '/Gaps/filler', 1 << 20)   # room for indexes
        os.mkdir(mount + '/Empty')
        for at in range(120):
            tree.folder(f'/Empty/{at:03}')
            os.mkdir(f'{mount}/Empty/{at:03}')
        for at in range(260):                          # uses up the records that are free
            tree.file(f'/Empty/file {at:03}', b'')
            create(f'/Empty/file {at:03}')
        until_full(mount + '/Gaps/filler 2', 512)
        os.unlink(holder)
        with contextlib.suppress(OSError):
            for at in range(480):                      # now $MFT has to grow
                path = f'/Empty/{at // 4:03}/{at % 4}'
                create(path)
                tree.file(path, b'')
        with contextlib.suppress(FileNotFoundError):
            if tree.objects[-1][1] != path:
                os.unlink(mount + path)
        os.unlink(mount + '/Gaps/filler')
        os.unlink(mount + '/Gaps/filler 2')
    tree.truth('ntfs-mftfrag')
    pack('ntfs-mftfrag', image)


def ntfs_attrlist():
    """Attribute lists, in the record and outside, short and long, for runs, for names and for streams."""
    tree = Tree()
    tree.folder('/Runs')
    tree.folder('/Names')
    ladder = lambda pieces: Sparse(pieces * 1024, [(at * 1024, numbered(512, f'{pieces}-{at}')) for at in range(pieces)])
    tree.file('/Runs/short list.bin', ladder(260), 'sparse')
    tree.file('/Runs/long list.bin', ladder(4000), 'sparse')
    for path, size, links in (('/Names/seven.bin', 5000, 6), ('/Names/sixty.bin', 5000, 60), ('/Names/resident.txt', 40, 6)):
        tree.file(path, numbered(size, f'n{links}'))
        for at in range(links):
            tree.hardlink(f'{path[:-4]} known by a long name too, number {at:03}', path)
    tree.file('/Names/streams.txt', numbered(300, 'own'))
    for at in range(9):
        tree.stream('/Names/streams.txt', f'stream number {at}', numbered(90 + at * 300, f'st{at}'))
    tree.times('ntfs-attrlist')
    image = mkntfs('ntfs-attrlist.img', 10 << 20, '-c', '512', label='attrlist')
    with mounted(image) as mount:
        tree.write(mount)
        for path in [one for one in tree.links if tree.links[one] == '/Names/resident.txt'][:2]:
            os.unlink(mount + path)                    # these stood in the base record: room for the list
            tree.remove(path)
        brought_in = mount + '/Runs/short list resident.bin'
        with open(brought_in, 'wb') as file:
            file.write(bytes(1024))
        links = [f'{mount}/Runs/{at} {"fills the record for a while" * 2}' for at in range(5)]
        for one in links:                              # names fill the base record, so all runs go elsewhere,
            os.link(brought_in, one)
        ladder(250).write(brought_in)
        for one in links:                              # and then there is room in it again
            os.unlink(one)
        tree.file('/Runs/short list resident.bin', ladder(250), 'sparse')
    fragmented(image, tree, '/Pieces', 1, 700, 1024)
    for name, word in (('short list resident.bin', 'resident-list'), ('resident.txt', 'resident-list'), ('short list.bin', 'list'),
                       ('long list.bin', 'list'), ('seven.bin', 'list'), ('sixty.bin', 'list'), ('streams.txt', 'list')):
        tree.note(next(one[1] for one in tree.objects if one[1].endswith('/' + name)), word)
    with Volume(image) as volume:                      # ntfs-3g always puts the list outside: bring two in
        volume.resident_list(volume.by_name('short list resident.bin'))
        volume.resident_list(volume.by_name('resident.txt'))
    tree.truth('ntfs-attrlist')
    pack('ntfs-attrlist', image)


def ntfs_sparse():
    """Holes of every shape; one file's size is far beyond the volume's."""
    tree, unit = Tree(), 65536
    piece = lambda at, length=4096: (at, numbered(length, f'z{at // 4096}'))
    tree.folder('/Holes')
    shapes = {'all hole': (300_000, []), 'all hole, one byte': (1, []), 'hole at the end': (10 * unit, [piece(0, 5000)]),
              'hole at the start': (6 * unit + 77, [piece(6 * unit, 77)]), 'hole in the middle': (8 * unit, [piece(0), piece(7 * unit, unit)]),
              'ladder': (40 * 8192, [piece(at * 8192) for at in range(40)]), 'dense': (90_000, [piece(0, 90_000)]),
              'hole ends inside a cluster': (200_000, [piece(0, 10), piece(131_072 + 700, 3000)]),
              'zeros written': (3 * unit, [(0, bytes(3 * unit))])}
    for name, (size, pieces) in shapes.items():
        tree.file(f'/Holes/{name}.bin', Sparse(size, pieces), 'sparse')
    big = (5 << 30) + 12345
    tree.file('/Holes/five gigabytes.bin', Sparse(big, [piece(4096), piece((4 << 30) - 2048), piece(big - 100, 100)]), 'sparse')
    tree.file('/owner.txt', b'has a sparse stream\n')
    tree.stream('/owner.txt', 'holes', Sparse(150_000, [piece(70_000, 100)]), 'sparse')
    tree.times('ntfs-sparse')
    image = mkntfs('ntfs-sparse.img', 6 << 20, '-c', '4096', label='sparse')
    with mounted(image) as mount:
        tree.write(mount)
    tree.truth('ntfs-sparse')
    pack('ntfs-sparse', image)


# Written under an innocent name of the same length, which is then changed wherever it stands in the image.
HOSTILE = {'qq': '..', 'q': '.', 'q1x.txt': 'a/b.txt', 'q2xxxxxxxxxxxxx': '../../etc/outsi', 'q3x.txt': 'a\0b.txt', 'q4xx': '\0\0\0\0',
           'q high.txt': '\ud83d high.txt', 'q low .txt': '\udf89 low .txt', 'q7swapped.txt': '\udf89\ud83dswapped.txt',
           'q8x': 'C:\\', 'q9xxxx': '/outer', 'q10xxxxx': '\uffff\ufffe\ufdd0okay!'}


def ntfs_hostile():
    """Names that no tool would write: dots, slashes, NULs and halves of surrogate pairs."""
    tree = Tree()
    tree.folder('/Names')
    for at, (innocent, name) in enumerate(HOSTILE.items()):
        assert len(innocent) == len(name), name
        tree.file(f'/Names/{innocent}', f'hostile {at}\n'.encode())
    tree.folder('/Folders')
    for innocent in ('qq', 'q3x.txt', 'q9xxxx'):
        tree.folder(f'/Folders/{innocent}')
        tree.file(f'/Folders/{innocent}/inside.txt', f'in a folder with a hostile name, {innocent}\n'.encode())
    tree.times('ntfs-hostile')
    image = mkntfs('ntfs-hostile.img', 4 << 20, '-c', '4096', label='hostile')
    with mounted(image) as mount:
        tree.write(mount)
    with open(image, 'r+b') as file:
        data = file.read()
        for innocent, name in HOSTILE.items():
            units = lambda text: text.encode('utf-16le', 'surrogatepass')
            places = [one.start() for one in re.finditer(re.escape(bytes([len(innocent), 0]) + units(innocent)), data, re.S)]
            wanted = 4 if '/Folders/' + innocent in [one[1] for one in tree.objects] else 2      # the record and the index
            assert len(places) >= wanted, (innocent, places)      # more: what an index left behind when it grew
            for at in places:
                file.seek(at + 2)
                file.write(units(name))
    for one in tree.objects:
        parts = one[1].split('/')
        one[1] = '/'.join(HOSTILE.get(part, part).replace('\0', '\ue000').replace('/', '\ue001') for part in parts)
    # Marked until here, as a slash in a name must not be taken for one between names.
    lines = [(kind, path.replace('\ue000', '\\0').replace('\ue001', '\\/'), *rest) for kind, path, *rest in tree.lines()]
    write_truth('ntfs-hostile', lines)
    pack('ntfs-hostile', image)


RECIPES = {
    'ntfs-c4k': ntfs_c4k,
    'ntfs-c512': lambda: plain('ntfs-c512', 4 << 20, '-c', '512', pieces=1024),
    'ntfs-c64k': lambda: plain('ntfs-c64k', 16 << 20, '-c', '65536', pieces=65536),
    'ntfs-c2m': lambda: plain('ntfs-c2m', 402 << 20, '-c', str(2 << 20), crowded=300, pieces=0),
    'ntfs-rec4k': lambda: plain('ntfs-rec4k', 8 << 20, sector=4096),
    'ntfs-mftfrag': ntfs_mftfrag,
    'ntfs-attrlist': ntfs_attrlist,
    'ntfs-sparse': ntfs_sparse,
    'ntfs-hostile': ntfs_hostile,
}
