"""exFAT volumes: mkfs.exfat and exfat-fuse over a loop device; states that neither writes by byte edits (exfatedit)."""
import contextlib
import os
import subprocess
import time

from common import FAKETIME, NOW, Tree, blank, numbered, pack, rng, run, text
from exfatedit import Volume

CREATED = 1_237_043_366                # NOW, UTC


@contextlib.contextmanager
def loop(image, sector=512):
    device = run('losetup', '-f', '--show', '-b', str(sector), image, fake=False).decode().strip()
    try:
        yield device
    finally:
        run('losetup', '-d', device, fake=False)


def mkexfat(name, size, cluster, label='', sector=512, serial=0x19850914):
    """An empty volume. The serial number is set by us: mkfs.exfat takes it from the clock."""
    path = blank(name, size)
    with loop(path, sector) as device:
        run('mkfs.exfat', '-c', str(cluster), '-b', str(max(cluster, 32768)), *(['-L', label] if label else []), device)
    volume = Volume(path)
    volume.set_serial(serial)
    volume.save()
    return path


@contextlib.contextmanager
def mounted(image, sector=512):
    """Mount through exfat-fuse. It stays a child of ours, so that nothing is left behind."""
    folder = image + '.mnt'
    os.makedirs(folder, exist_ok=True)
    environment = dict(os.environ, TZ='UTC', LC_ALL='C.UTF-8')
    if os.path.exists(FAKETIME):
        environment.update(LD_PRELOAD=FAKETIME, FAKETIME=NOW, FAKETIME_DONT_FAKE_MONOTONIC='1')
    with loop(image, sector) as device:
        child = subprocess.Popen(['mount.exfat-fuse', '-d', device, folder], env=environment,
                                 stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        for _ in range(200):
            if os.path.ismount(folder):
                break
            if child.poll() is not None:
                raise SystemExit(f'mounting {image} failed')
            time.sleep(0.02)
        try:
            yield folder
        finally:
            subprocess.run(['umount', folder], check=True)
            child.wait()
            os.rmdir(folder)
    # The driver marks a volume clean when it is unmounted; fsck.exfat must think so too.
    with loop(image, sector) as device:
        run('fsck.exfat', '-n', device)


def write(tree, mount):
    for kind, path, data, _, _, _ in tree.objects:
        if kind == 'folder':
            os.mkdir(mount + path)
        else:
            with open(mount + path, 'wb') as file:
                file.write(data)
    stamp(tree, mount)


def stamp(tree, mount):
    """Modification times last, folders after what is in them. The creation time is the moment of writing."""
    for _, path, _, _, _, modified in reversed(tree.objects):
        os.utime(mount + path, (modified, modified))


def times(tree, name):
    draw = rng(name)
    for one in tree.objects:
        # exFAT through this driver keeps two seconds.
        one[4], one[5] = CREATED, draw.randrange(1_140_000_000, 1_320_000_000, 2)


ODD = ['Ünïcödé.txt', '楽譜 第三番.pdf', 'Ноты для хора.txt', 'γ σ ς Σ.txt', 'emoji 🎵🎶.mp3', ' leading blank', 'trailing dot.',
       'a' * 255, 'b' * 15, 'c' * 16, 'd' * 30, 'e' * 31, '𝄞' * 120, "it's (really) [odd] {name} & more; #1 ~ %41 =.txt",
       'no extension', '.hidden', 'UPPER lower.TXT', '١٢٣ عربى.txt', 'NUL', 'COM1.txt', '%0A.txt', 'e\u0301 decomposed.txt']


def names(tree, folder):
    tree.folder(folder)
    for index, name in enumerate(ODD):
        tree.file(f'{folder}/{name}', numbered(100 + 37 * index, f'odd{index}'))


def sizes(tree, folder, cluster):
    tree.folder(folder)
    for size in sorted({0, 1, 31, 32, 511, 512, 513, cluster - 1, cluster, cluster + 1, 2 * cluster, 3 * cluster + 1}):
        tree.file(f'{folder}/{size}.bin', numbered(size, f's{size}'))


def deep(tree, depth):
    path = ''
    for level in range(depth):
        path += f'/level {level} of the old score cupboard'[:40] if level else '/Deep'
        tree.folder(path)
        if level % 5 == 0:
            tree.file(path + f'/at {level}.txt', text(300 + level, f'deep {level}'))


def random_files(tree, name, count, most):
    """Files of random sizes in random folders."""
    draw = rng(name)
    folders = ['']
    for index in range(count // 12):
        folder = f'{draw.choice(folders)}/{"Choir Album Scans Takes Minutes".split()[index % 5]} {index}'
        tree.folder(folder)
        folders.append(folder)
    for index in range(count):
        ending = draw.choice(['jpg', 'mp3', 'txt', 'pdf', 'mid', 'MP4'])
        size = int(most * draw.random() ** 3)
        path = f'{draw.choice(folders)}/{draw.choice(["IMG", "take", "Rehearsal of the village choir", "x"])} {index:04}.{ending}'
        tree.file(path, numbered(size, f'r{index}'))


def fragment(tree, mount, folder, size, fill, keep=2):
    """Fill, delete every other one, and write larger files into the holes."""
    os.mkdir(mount + folder)
    for index in range(fill):
        with open(f'{mount}{folder}/fill {index:03}.bin', 'wb') as file:
            file.write(numbered(size, f'f{index}'))
    tree.folder(folder)
    for index in range(fill):
        path = f'{folder}/fill {index:03}.bin'
        if index % keep:
            tree.file(path, numbered(size, f'f{index}'))
        else:
            os.unlink(mount + path)
    for index in range(fill // 8):
        data = numbered(size * 3 + 11 * index, f'g{index}')
        tree.file(f'{folder}/scattered {index:03}.bin', data, 'fragmented')
        with open(f'{mount}{folder}/scattered {index:03}.bin', 'wb') as file:
            file.write(data)


def cluster_fixture(name, size, cluster, files, most, sector=512, fill=64, tail=True):
    def recipe():
        first, tree = Tree(), Tree()
        sizes(first, '/Sizes', cluster)
        names(first, '/Names')
        deep(first, 40 if tail else 8)
        if files:
            random_files(first, name, files, most)
        image = mkexfat(name + '.img', size, cluster, label='Choir 2009', sector=sector)
        with mounted(image, sector) as mount:
            times(first, name)
            write(first, mount)
            fragment(tree, mount, '/Pieces', 2 * cluster - 7, fill)
            tree.objects = first.objects + tree.objects
            times(tree, name)
            stamp(tree, mount)
        tree.truth(name)
        pack(name, image)
    return recipe


def exfat_deleted():
    """Deleted files and folders; the clusters of some are in use again."""
    tree, gone = Tree(), Tree()
    tree.folder('/Kept')
    for index in range(6):
        tree.file(f'/Kept/song {index}.mid', numbered(9000 + index, f'k{index}'))
    gone.file('/Rehearsal take 1.mp3', numbered(40_000, 'take'), 'deleted')
    gone.folder('/Album')
    for index in range(8):
        gone.file(f'/Album/IMG {index}.jpg', numbered(12_000 + 100 * index, f'a{index}'), 'deleted')
    gone.folder('/Album/Summer')
    gone.file('/Album/Summer/a rather long name of a picture at the lake.jpg', numbered(7000, 'lake'), 'deleted')
    gone.file('/Loose letter.txt', text(3000, 'loose'), 'deleted')
    image = mkexfat('exfat-deleted.img', 4 << 20, 4096, label='deleted')
    with mounted(image) as mount:
        times(tree, 'exfat-deleted')
        times(gone, 'exfat-gone')
        write(gone, mount)
        write(tree, mount)
        for kind, path, *_ in reversed(gone.objects):
            (os.rmdir if kind == 'folder' else os.unlink)(mount + path)
        # Over the first clusters that became free: those of the take.
        late = Tree()
        late.file('/Kept/late.bin', numbered(30_000, 'late'))
        times(late, 'exfat-late')
        write(late, mount)
        tree.objects += late.objects
        stamp(tree, mount)
    tree.objects += [one for one in gone.objects if one[0] == 'file']
    tree.truth('exfat-deleted')
    pack('exfat-deleted', image)


def exfat_odd():
    """What the format allows and the driver here does not write: a valid length below the size, local times, vendors'
    entries, a GUID, a second FAT, chains where none is needed and longer than the size needs."""
    tree = Tree()
    tree.folder('/Odd')
    for name, size in [('short.bin', 20_000), ('nothing valid.bin', 9000), ('whole.bin', 8192), ('vendor.bin', 5000),
                       ('vendor allocation.bin', 5001), ('local time.txt', 700), ('chained.bin', 13_000), ('longer.bin', 4000),
                       ('ahead.txt', 600), ('east.txt', 601)]:
        tree.file(f'/Odd/{name}', numbered(size, name))
    tree.file('/README.txt', text(900, 'readme'))
    times(tree, 'exfat-odd')
    image = mkexfat('exfat-odd.img', 4 << 20, 4096, label='odd')
    with mounted(image) as mount:
        write(tree, mount)
    volume = Volume(image)
    for name, valid in [('short.bin', 5000), ('nothing valid.bin', 0)]:
        volume.set_valid(f'/Odd/{name}', valid)
        entry = next(one for one in tree.objects if one[1] == f'/Odd/{name}')
        entry[2] = entry[2][:valid].ljust(len(entry[2]), b'\0')
        tree.note(entry[1], f'valid={valid}')
    volume.add_secondary('/Odd/vendor.bin', 0xE0)
    volume.add_secondary('/Odd/vendor allocation.bin', 0xE1, clusters=2)
    volume.set_zone('/Odd/local time.txt', 0)
    tree.note('/Odd/local time.txt', 'zone=unknown')
    volume.set_zone('/Odd/ahead.txt', 0x80 | 0x08)              # two hours ahead of UTC
    tree.note('/Odd/ahead.txt', 'offset=8')
    volume.set_zone('/Odd/east.txt', 0x80 | 0x6C)               # five hours behind
    tree.note('/Odd/east.txt', 'offset=-20')
    volume.chain('/Odd/chained.bin')
    volume.chain('/Odd/longer.bin', extra=3)
    volume.add_guid(bytes(range(16)))
    volume.save()
    with loop(image) as device:
        subprocess.run(['fsck.exfat', '-n', device], check=False, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    tree.truth('exfat-odd')
    pack('exfat-odd', image)


RECIPES = {
    'exfat-c512': cluster_fixture('exfat-c512', 4 << 20, 512, 60, 6000, fill=96),
    'exfat-c4k': cluster_fixture('exfat-c4k', 16 << 20, 4096, 520, 40_000),
    'exfat-c32k': cluster_fixture('exfat-c32k', 32 << 20, 32_768, 40, 200_000, fill=48),
    'exfat-c128k': cluster_fixture('exfat-c128k', 96 << 20, 131_072, 0, 0, fill=32, tail=False),
    'exfat-s4k': cluster_fixture('exfat-s4k', 8 << 20, 4096, 60, 20_000, sector=4096, fill=48),
    'exfat-deleted': exfat_deleted,
    'exfat-odd': exfat_odd,
}
