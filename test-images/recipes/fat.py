"""FAT12, FAT16 and FAT32: volumes made by mkfs.fat and filled by mtools.

Where a tool keeps away from something (cluster counts at the borders, a second table of an earlier day), bytes
are edited afterwards, and the note of the image says so.
"""
import os
import shutil
import struct

from common import Tree, blank, noise, numbered, pack, rng, run, text, work, write_truth

NAMES = ['Noten für Anna.txt', 'Ünï ✓.txt', '楽譜の一覧.pdf', 'Хор весной.txt', 'a.b.c.d.txt', 'README', 'lower.txt', 'UPPER.TXT',
         'Mixed.Txt', 'half.TXT', 'thirteenchars', '.hidden', "it's 100% & more (final) [2].txt", 'semi;colon=+,.x', 'Long ' * 30 + 'end.txt',
         'n' * 255, 'CHÖR.TXT', 'no extension but long']


def mkfs(name, size, *options, label='CHOIR'):
    path = blank(name + '.img', size)
    run('mkfs.fat', '-a', '-n', label, '--invariant', *options, path)
    return path


def mtools(tool, image, *arguments):
    """Overlong names and the like are never to be asked about."""
    run('env', 'MTOOLS_SKIP_CHECK=1', 'NO_FAKE_STAT=1', tool, '-i', image, *arguments)


def write(image, tree, known=()):
    """Write a tree through mcopy, all at once as a user would, but for the objects that are there already."""
    folder = image + '.source'
    shutil.rmtree(folder, ignore_errors=True)
    os.makedirs(folder)
    for kind, path, data, *_ in tree.objects:
        if kind == 'folder':
            os.makedirs(folder + path, exist_ok=True)
        elif path not in known:
            with open(folder + path, 'wb') as file:
                file.write(data)
    for kind, path, _, _, _, modified in reversed(tree.objects):
        if path not in known:
            os.utime(folder + path, (modified, modified))
    # Copying folders, mtools finds no room for names of the greatest length; by themselves they are written.
    longest = [path for _, path, *_ in tree.objects if path not in known and len(path.split('/')[-1]) > 240]
    for at, path in enumerate(longest):
        os.rename(folder + path, f'{folder}.{at}')
    for top in sorted(os.listdir(folder)):
        mtools('mcopy', image, '-s', '-m', '-o', '-Q', os.path.join(folder, top), '::/')
    for at, path in enumerate(longest):
        mtools('mcopy', image, '-m', '-o', '-Q', f'{folder}.{at}', '::' + path)
    shutil.rmtree(folder)


def choir_tree(name, sizes, many=20):
    """Names of every kind, sizes at every border, folders in folders, a folder of several clusters."""
    tree, draw = Tree(), rng(name)
    for at, size in enumerate(sizes):
        tree.file(f'/size {size}.bin', numbered(size, f's{at}'))
    tree.folder('/Names')
    for at, one in enumerate(NAMES):
        tree.file('/Names/' + one, text(30 + 40 * at, f'{name} {at}'))
    deep = ''
    for level in ('Choir', 'Scores', 'Spring 2009', 'soprano', 'a'):
        deep += '/' + level
        tree.folder(deep)
        tree.file(f'{deep}/notes of {level}.txt', text(draw.randint(1, 1500), name + deep))
    tree.folder('/Fotos')
    for at in range(many):
        tree.file(f'/Fotos/IMG_{at:04}.JPG', noise(draw.randint(1, 900), f'{name} foto {at}'))
    tree.folder('/EMPTY')
    tree.times(name)
    # FAT keeps even seconds.
    for one in tree.objects:
        one[5] -= one[5] % 2
        one[4] = None
    return tree


def finish(name, image, tree):
    for one in tree.objects:
        one[4] = one[5]
    rows = []
    for kind, path, size, digest, note in tree.lines():
        words = [word for word in note.split(' ') if word and not word.startswith('created=')]
        rows.append((kind, path, size, digest, ' '.join(words)))
    write_truth(name, rows)
    pack(name, image)


def plain(name, size, sizes, *options, many=20):
    def make():
        image = mkfs(name, size, *options)
        tree = choir_tree(name, sizes, many)
        write(image, tree)
        finish(name, image, tree)
    return make


def free_bytes(image):
    listing = run('mdir', '-i', image, '::/').decode()
    line = next(line for line in listing.splitlines() if 'bytes free' in line)
    return int(''.join(c for c in line if c.isdigit()))


def fragmented():
    """Filled with small files, every other one deleted, refilled: the late files lie in many pieces."""
    name, cluster = 'fat16-frag', 512
    image = mkfs(name, 2300 << 10, '-F', '16', '-s', '1', '-r', '512')
    tree = Tree()
    tree.folder('/small')
    tree.folder('/late')
    tree.times(name)
    count = (free_bytes(image) - 150 * cluster) // (4 * cluster)
    for at in range(count):
        tree.file(f'/small/s{at:04}.bin', numbered(4 * cluster - 7, f'm{at}'), modified=1_200_000_000)
    write(image, tree)
    gone = [f'/small/s{at:04}.bin' for at in range(1, count, 2)]
    for path in gone:
        mtools('mdel', image, '::' + path)
    for path in gone:
        tree.remove(path)
    known = {one[1] for one in tree.objects if one[0] == 'file'}
    for at, size in enumerate((100_000, 33_333, 250_001, 70_000)):
        tree.file(f'/late/piece {at}.bin', numbered(size, f'l{at}'), 'fragmented', modified=1_210_000_000)
    write(image, tree, known)
    finish(name, image, tree)


def deleted():
    """Untouched, with a long name and without, partly overwritten, with its folder."""
    name = 'fat16-deleted'
    image = mkfs(name, 4200 << 10, '-F', '16', '-s', '2')
    tree = choir_tree(name, (0, 1, 1024, 5000), many=6)
    tree.folder('/gone folder', modified=1_200_000_000)
    goners = {}
    for path, size in (('/gone.txt', 3000), ('/Photograph of the choir.jpg', 9000), ('/gone folder/inside.txt', 700),
                       ('/gone folder/Inside with a long name.txt', 2500), ('/over.bin', 6000), ('/EMPTY.GON', 0)):
        goners[path] = numbered(size, path.strip('/')[:6])
        tree.file(path, goners[path], modified=1_200_000_000)
    write(image, tree)
    for path in ('/over.bin', '/gone.txt', '/Photograph of the choir.jpg', '/EMPTY.GON'):
        mtools('mdel', image, '::' + path)
    mtools('mdeltree', image, '::/gone folder')
    for one in tree.objects:
        if one[1] in goners or one[1] == '/gone folder':
            one[3] = 'deleted'
    # The first two clusters of over.bin are used again: mtools takes the first free one, so its chain is found by the
    # bytes that stand there.
    with open(image, 'r+b') as file:
        whole = file.read()
        at = whole.index(goners['/over.bin'][:512])
        boot = whole[:512]
        reserved, tables, root, total, size = (struct.unpack_from('<H', boot, 14)[0], boot[16], *struct.unpack_from('<HH', boot, 17),
                                               struct.unpack_from('<H', boot, 22)[0])
        data = (reserved + tables * size) * 512 + root * 32
        cluster = (at - data) // 1024 + 2
        for table in range(tables):
            start = (reserved + table * size) * 512
            file.seek(start + cluster * 2)
            file.write(struct.pack('<HH', cluster + 1, 0xFFFF))
        # A file that has them: the entry of `size 0.bin`, which has no clusters, is given these two.
        entry = whole.index(b'SIZE0~1 BIN') if b'SIZE0~1 BIN' in whole else whole.index(b'SIZE0   BIN')
        file.seek(entry + 26)
        file.write(struct.pack('<HI', cluster, 2048))
    for one in tree.objects:
        if one[1] == '/size 0.bin':
            one[2] = goners['/over.bin'][:2048]
            one[3] = 'has-two-clusters-of=/over.bin'
    finish(name, image, tree)


def stale():
    """The second table is one of an earlier day."""
    name = 'fat16-stale'
    image = mkfs(name, 4200 << 10, '-F', '16', '-s', '2')
    tree = choir_tree(name, (0, 1, 1024, 5000, 20_000), many=10)
    write(image, tree)
    with open(image, 'rb') as file:
        boot = file.read(512)
        reserved, size = struct.unpack_from('<H', boot, 14)[0], struct.unpack_from('<H', boot, 22)[0]
        file.seek(reserved * 512)
        earlier = file.read(size * 512)
    # The next day: some files go, others come in their place.
    gone = [one[1] for one in tree.objects if one[1].startswith('/Fotos/') and one[1][-5] in '13579'] + ['/size 20000.bin']
    mtools('mdel', image, *['::' + path for path in gone])
    for path in gone:
        tree.remove(path)
    known = {one[1] for one in tree.objects if one[0] == 'file'}
    for at in range(12):
        tree.file(f'/Fotos/later {at}.jpg', noise(700 + 900 * at, f'{name} later {at}'), 'later', modified=1_300_000_000)
    write(image, tree, known)
    with open(image, 'r+b') as file:
        file.seek((reserved + size) * 512)
        file.write(earlier)
    finish(name, image, tree)


def set_clusters(image, clusters):
    """Lower (or raise) the number of sectors so that there are so many clusters, and cut the image there."""
    with open(image, 'r+b') as file:
        boot = bytearray(file.read(512))
        sector, per, reserved, tables, root = struct.unpack_from('<HBHBH', boot, 11)
        size16, = struct.unpack_from('<H', boot, 22)
        size = size16 or struct.unpack_from('<I', boot, 36)[0]
        total = reserved + tables * size + root * 32 // sector + clusters * per
        small = struct.unpack_from('<H', boot, 19)[0] != 0 and total < 65536
        struct.pack_into('<H', boot, 19, total if small else 0)
        struct.pack_into('<I', boot, 32, 0 if small else total)
        file.seek(0)
        file.write(boot)
        if not size16:                                        # FAT32: the copy of the boot sector, the free count
            file.seek(struct.unpack_from('<H', boot, 50)[0] * sector)
            file.write(boot)
            file.seek(reserved * sector)
            table = struct.unpack(f'<{clusters + 2}I', file.read(4 * (clusters + 2)))
            for info in (1, 7):
                file.seek(info * sector + 488)
                file.write(struct.pack('<I', table[2:].count(0)))
        file.truncate(total * sector)


def few(name, size, clusters, sizes, *options, many=20):
    """FAT32 with fewer clusters than it should have: mtools fills it while it is large, and then it is cut."""
    def make():
        image = mkfs(name, size, '-F', '32', '-s', '1', *options)
        tree = choir_tree(name, sizes, many)
        write(image, tree)
        set_clusters(image, clusters)
        finish(name, image, tree)
    return make


def border(width, clusters, kib):
    """mkfs.fat keeps away from the borders: its number of sectors is lowered. Full to the last cluster."""
    def make():
        name = f'fat{clusters}'
        image = mkfs(name, kib << 10, '-F', str(width), '-s', '1')
        set_clusters(image, clusters)
        tree = Tree()
        tree.file('/a.txt', b'a' * 3000, modified=1_200_000_000)
        write(image, tree)
        tree.file('/b.txt', b'b' * free_bytes(image), modified=1_200_000_000)
        write(image, tree, {'/a.txt'})
        finish(name, image, tree)
    return make


KIB, MIB = 1 << 10, 1 << 20
RECIPES = {
    'fat12': plain('fat12', 1440 * KIB, (0, 1, 511, 512, 513, 5000, 20_000), '-F', '12', '-s', '1'),
    'fat16': plain('fat16', 4400 * KIB, (0, 1, 1023, 1024, 1025, 9000, 30_000), '-F', '16', '-s', '2'),
    'fat32-few': few('fat32-few', 34_000 * KIB, 1500, (0, 1, 511, 512, 513, 5000, 20_000), many=60),
    'fat32': plain('fat32', 34_000 * KIB, (0, 1, 511, 512, 513, 9000, 60_000), '-F', '32', '-s', '1', many=60),
    'fat12-s1024': plain('fat12-s1024', 1 * MIB, (0, 1, 1023, 1024, 5000), '-F', '12', '-S', '1024', '-s', '1'),
    'fat16-s2048': plain('fat16-s2048', 8700 * KIB, (0, 1, 2047, 2048, 2049, 9000), '-F', '16', '-S', '2048', '-s', '1'),
    'fat32-s4096': few('fat32-s4096', 264 * MIB, 700, (0, 1, 4095, 4096, 4097, 20_000), '-S', '4096', many=140),
    'fat16-frag': fragmented, 'fat16-deleted': deleted, 'fat16-stale': stale,
    'fat4084': border(12, 4084, 2068), 'fat4085': border(16, 4085, 2077),
    'fat65524': border(16, 65524, 33032), 'fat65525': border(32, 65525, 33292),
}
