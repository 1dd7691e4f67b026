"""What every recipe shares: running tools, mounting, source trees, ground truth, packing.

A fixture starts as a `Tree`: a list of objects with their bytes, made by seeded generators. The tree is
written into a volume through an outside tool, and the ground truth is written from the tree itself. No
byte of the truth is ever read back from the image.
"""
import contextlib
import hashlib
import os
import random
import shutil
import struct
import subprocess
import time

HERE = os.path.dirname(os.path.dirname(os.path.abspath(__file__)))
WORK = os.path.join(HERE, 'work')
FAKETIME = '/usr/lib/x86_64-linux-gnu/faketime/libfaketime.so.1'
NOW = '2009-03-14 15:09:26'            # every tool that is asked for the time gets this one


def run(*command, fake=True, **more):
    """Run a tool; its output is shown only if it fails. Times are frozen so that images stay the same."""
    environment = dict(os.environ, TZ='UTC', LC_ALL='C.UTF-8')
    environment['PATH'] += ':/usr/sbin:/sbin'
    if fake and os.path.exists(FAKETIME):
        environment.update(LD_PRELOAD=FAKETIME, FAKETIME=NOW, FAKETIME_DONT_FAKE_MONOTONIC='1')
    done = subprocess.run(command, env=environment, stdout=subprocess.PIPE, stderr=subprocess.PIPE, **more)
    if done.returncode:
        raise SystemExit(f'{" ".join(map(str, command))}\n{done.stdout.decode(errors="replace")}'
                         f'{done.stderr.decode(errors="replace")}\nexit {done.returncode}')
    return done.stdout


def work(name):
    """Path of a file in the working folder."""
    os.makedirs(WORK, exist_ok=True)
    return os.path.join(WORK, name)


def blank(name, size):
    """A new sparse image of `size` bytes; gives its path."""
    path = work(name)
    with contextlib.suppress(FileNotFoundError):
        os.unlink(path)
    with open(path, 'wb') as image:
        image.truncate(size)
    return path


def mkntfs(name, size, *options, label='', serial=0x0123456789ABCDEF, sector=512):
    """An empty NTFS volume. The serial number is set by us: mkntfs draws it at random."""
    path = blank(name, size)
    run('mkntfs', '-q', '-F', '-s', str(sector), '-p', '0', '-H', '16', '-S', '63', '-Q',
        *(['-L', label] if label else []), *options, path)
    with open(path, 'r+b') as image:
        boot = image.read(512)
        sectors = struct.unpack_from('<Q', boot, 0x28)[0]
        for at in (0, sectors):                         # the boot sector and its copy, the last sector
            image.seek(at * sector + 0x48)
            image.write(struct.pack('<Q', serial))
    return path


@contextlib.contextmanager
def mounted(image, *options):
    """Mount an NTFS image through ntfs-3g. It stays a child of ours, so that nothing is left behind."""
    folder = image + '.mnt'
    os.makedirs(folder, exist_ok=True)
    environment = dict(os.environ, TZ='UTC', LC_ALL='C.UTF-8')
    if os.path.exists(FAKETIME):
        environment.update(LD_PRELOAD=FAKETIME, FAKETIME=NOW, FAKETIME_DONT_FAKE_MONOTONIC='1')
    every = ','.join(('no_detach', 'streams_interface=windows') + options)
    child = subprocess.Popen(['ntfs-3g', '-o', every, image, folder], env=environment,
                             stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE)
    for _ in range(200):
        if os.path.ismount(folder):
            break
        if child.poll() is not None:
            raise SystemExit(f'mounting {image}: {child.stderr.read().decode()}')
        time.sleep(0.02)
    try:
        yield folder
    finally:
        subprocess.run(['umount', folder], check=True)
        child.wait()
        child.stderr.close()
        os.rmdir(folder)


def rng(name):
    """A generator of random numbers of its own for each purpose."""
    return random.Random('handback fixture ' + name)


WORDS = ('choir rehearsal alto tenor bass soprano organ hymn page minutes hall spring autumn chair key '
         'lamp window coffee candle programme concert village bell river road stage folder score copy '
         'evening treasurer member list note bar rest slow quick soft loud breath vowel').split()


def text(size, name):
    """Readable lines, exactly `size` bytes."""
    draw, out, length = rng(name), [], 0
    while length < size:
        line = ' '.join(draw.choices(WORDS, k=draw.randint(4, 11))) + '\r\n'
        out.append(line)
        length += len(line)
    return ''.join(out).encode()[:size]


def noise(size, name):
    """Bytes that cannot be compressed."""
    return rng(name).randbytes(size)


def numbered(size, tag):
    """Every 16 bytes say where they are: a reader that takes the wrong cluster is seen at once."""
    lines = (b'%-6.6s%9d\n' % (tag.encode(), at) for at in range(0, size, 16))
    return b''.join(lines)[:size]


class Sparse:
    """The bytes of a sparse file: pieces at offsets, zeros between them."""

    def __init__(self, size, pieces):
        self.size, self.pieces = size, sorted(pieces)

    def __len__(self):
        return self.size

    def write(self, path):
        with open(path, 'wb') as file:
            for at, data in self.pieces:
                file.seek(at)
                file.write(data)
            file.truncate(self.size)

    def sha256(self):
        digest, at, zeros = hashlib.sha256(), 0, bytes(1 << 20)
        for start, data in self.pieces + [(self.size, b'')]:
            while at < start:
                step = min(len(zeros), start - at)
                digest.update(zeros[:step])
                at += step
            digest.update(data)
            at += len(data)
        return digest.hexdigest()


def sha256(data):
    return data.sha256() if isinstance(data, Sparse) else hashlib.sha256(data).hexdigest()


def filetime(unix):
    """Seconds since 1970 as a count of 100 ns since 1601."""
    return int(unix * 10_000_000) + 116_444_736_000_000_000


def rfc3339(unix):
    return time.strftime('%Y-%m-%dT%H:%M:%SZ', time.gmtime(unix))


class Tree:
    """Objects in the order in which they are to be written."""

    def __init__(self):
        self.objects = []                 # [kind, path, data, note, created, modified]
        self.links = {}                   # path of a further name → path of the first one

    def add(self, kind, path, data=None, note='', created=None, modified=None):
        self.objects.append([kind, path, data, note, created, modified])

    def folder(self, path, note='', **times):
        self.add('folder', path, None, note, **times)

    def file(self, path, data, note='', **times):
        self.add('file', path, data, note, **times)

    def stream(self, owner, name, data, note=''):
        self.add('stream', f'{owner}:{name}', data, note)

    def hardlink(self, path, to, note=''):
        """Another name of `to`, which stands earlier in the tree."""
        first = next(one for one in self.objects if one[1] == to)
        self.links[path] = to
        self.add('file', path, first[2], note, first[4], first[5])

    def remove(self, path):
        self.objects = [one for one in self.objects if one[1] != path]
        self.links.pop(path, None)

    def note(self, path, words):
        for one in self.objects:
            if one[1] == path:
                one[3] = f'{one[3]} {words}'.strip()

    def times(self, name, first=1_140_000_000, last=1_320_000_000):
        """Give every file and folder dates: created up to three years before it was changed."""
        draw, known = rng(name), {}
        for one in self.objects:
            if one[0] in ('file', 'folder'):
                if one[1] in self.links:
                    one[4], one[5] = known[self.links[one[1]]]
                elif one[5] is None:
                    one[5] = draw.randint(first, last)
                    one[4] = max(first, one[5] - draw.randint(0, 90_000_000))
                known[one[1]] = one[4], one[5]

    def write(self, mount):
        """Write everything through a mounted volume, dates last."""
        for kind, path, data, _, _, _ in self.objects:
            to = mount + path
            if kind == 'folder':
                os.mkdir(to)
            elif path in self.links:
                os.link(mount + self.links[path], to)
            elif isinstance(data, Sparse):
                data.write(to)
            elif kind in ('file', 'stream'):
                with open(to, 'wb') as file:
                    file.write(data)
        self.stamp(mount)

    def stamp(self, mount):
        """Set the four dates as NTFS keeps them: created, modified, read, record changed."""
        for kind, path, _, _, created, modified in reversed(self.objects):
            if kind in ('file', 'folder') and modified is not None:
                value = [filetime(created)] + [filetime(modified)] * 3
                os.setxattr(mount + path, 'system.ntfs_times', struct.pack('<4Q', *value))

    def truth(self, name, volume=None):
        write_truth(name, self.lines(volume))

    def lines(self, volume=None):
        prefix = '' if volume is None else f'{volume}:'
        for kind, path, data, note, created, modified in self.objects:
            size, digest = '', ''
            if data is not None and kind != 'link':
                size, digest = len(data), sha256(data)
            if modified is not None:
                note = f'{note} created={rfc3339(created)} modified={rfc3339(modified)}'.strip()
            if path in self.links:                      # last, as the path may hold spaces
                note = f'{note} hardlink-of {prefix}{escape(self.links[path])}'.strip()
            yield kind, prefix + escape(path), size, digest, note


def escape(path):
    """Names may hold tabs, newlines and half surrogate pairs; the table may not."""
    path = path.replace('\\', '\\\\').replace('\t', '\\t').replace('\n', '\\n').replace('\r', '\\r')
    return ''.join(f'\\u{ord(c):04X}' if 0xD800 <= ord(c) < 0xE000 else c for c in path)


def write_truth(name, lines):
    rows = [(kind, path, str(size), digest, note) for kind, path, size, digest, note in lines]
    with open(os.path.join(HERE, name + '.truth.tsv'), 'w', encoding='utf-8', newline='\n') as out:
        out.write('# kind\tpath\tsize\tsha256\tnote\n')
        for row in sorted(rows, key=lambda row: (row[1], row[0])):
            out.write('\t'.join(row) + '\n')


def pack(name, path=None):
    """Compress a finished image into its place and enter its hash."""
    path = path or work(name + '.img')
    target = os.path.join(HERE, name + '.img.zst')
    run('zstd', '-q', '-f', '--ultra', '-22', '--long=27', '-T1', path, '-o', target, fake=False)
    digest = hashlib.sha256()
    with open(path, 'rb') as image:
        while block := image.read(1 << 22):
            digest.update(block)
    sums = os.path.join(HERE, 'SHA256SUMS')
    lines = {}
    if os.path.exists(sums):
        with open(sums) as old:
            lines = {line[66:].rstrip('\n'): line[:64] for line in old}
    lines[name + '.img'] = digest.hexdigest()
    with open(sums + '.new', 'w') as out:
        for key in sorted(lines):
            out.write(f'{lines[key]}  {key}\n')
    os.replace(sums + '.new', sums)
    size = os.path.getsize(target)
    print(f'{name}: {os.path.getsize(path):,} bytes, packed {size:,}', flush=True)
    if size >= 1_000_000:
        raise SystemExit(f'{name}: packed image is too large')


def clean(name):
    """Forget what an earlier run left of this fixture."""
    for entry in os.listdir(WORK) if os.path.isdir(WORK) else []:
        if entry == name or entry.startswith(name + '.'):
            path = os.path.join(WORK, entry)
            if os.path.isdir(path) and not os.path.ismount(path):
                shutil.rmtree(path)
            elif os.path.isfile(path):
                os.unlink(path)
