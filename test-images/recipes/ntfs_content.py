"""NTFS volumes whose bytes are not simply in their clusters: compressed, partly valid, encrypted."""
import os
import struct

from common import Sparse, Tree, mkntfs, mounted, noise, numbered, pack, text, write_truth
from ntfsedit import DATA, LOGGED_UTILITY_STREAM, Volume

COMPRESSED, ENCRYPTED = 0x800, 0x4000


def unit_shapes(unit):
    """Contents for every kind of compression unit, for a unit of `unit` bytes."""
    zeros, letter = bytes, lambda size: b'A' * size
    # The same words and the same noise again and again: compressed data repeats too, so the packed image stays small.
    stock, grain = text(4 * unit + 1000, 'words'), noise(unit + 5000, 'noise')
    words, rough = lambda size: stock[:size], lambda size: grain[:size]
    return {
        'empty.bin': b'',
        'one byte.bin': b'x',
        'resident.txt': words(400),
        'less than a unit.txt': words(unit // 3 + 5),
        'one chunk less a byte.bin': numbered(4095, 'c'),
        'exactly a unit.txt': words(unit),
        'a unit and a byte.txt': words(unit + 1),
        'two units less a byte.txt': words(2 * unit - 1),
        'three units.txt': words(3 * unit),
        'random.bin': rough(unit + 5000),
        'random, exact.bin': rough(unit),
        'zeros.bin': zeros(2 * unit + 4096),
        'letters.bin': letter(2 * unit + 100),
        'alternating.bin': b'abc' * (unit // 2),
        'zeros in the middle.bin': words(unit) + zeros(2 * unit) + words(700),
        'zeros at the end.bin': words(unit // 2) + zeros(2 * unit),
        'zeros first.bin': zeros(unit) + words(unit // 2),
        'mixed units.bin': words(unit) + rough(unit) + zeros(unit) + letter(unit) + rough(unit // 2) + words(5000),
        'half random unit.bin': rough(unit // 2) + zeros(unit // 2) + words(unit),
        'random chunks between text.bin': b''.join(stock[at:at + 4096] if at % 8192 else grain[:4096] for at in range(0, 2 * unit, 4096)),
        'short last chunk.txt': words(unit + 3 * 4096 + 17),
        'numbered.bin': numbered(5 * unit + 1234, 'num'),
    }


def compressed(name, size, cluster):
    """A folder with `compress contents` ticked, filled by ntfs-3g. A unit is 16 clusters whatever their size."""
    unit = 16 * cluster
    folder, tree = '/Compressed', Tree()
    tree.folder(folder, 'compressed')
    for file, data in unit_shapes(unit).items():
        tree.file(f'{folder}/{file}', data, 'compressed')
    tree.stream(folder + '/one byte.bin', 'compressed stream', text(2 * unit + 9, 'words'), 'compressed')
    words = text(4 * unit, 'words')
    one, two, three = unit // 2 + 100, unit * 3 // 2 + 100, unit * 2 - 1000
    grown = {'appended twice.txt': [words[:one], words[one:two], words[two:three]],
             'appended by lines.txt': [words[at:at + 1111] for at in range(0, three, 1111)]}
    plain = {'/Plain': None, '/Plain/plain.txt': words[:3 * unit], '/Plain/plain random.bin': noise(20_000, 'noise')}
    image = mkntfs(name + '.img', size, '-c', str(cluster), label=name)
    with mounted(image, 'compression') as mount:
        os.mkdir(mount + folder)
        os.setxattr(mount + folder, 'system.ntfs_attrib_be', struct.pack('>I', 0x10 | COMPRESSED))
        for kind, path, data, _, _, _ in tree.objects[1:]:
            with open(mount + path, 'wb') as file:
                file.write(data)
        for file, parts in grown.items():
            for part in parts:
                with open(f'{mount}{folder}/{file}', 'ab') as to:
                    to.write(part)
            tree.file(f'{folder}/{file}', b''.join(parts), 'compressed')
        # Cut in the middle of a unit, and a hole made by seeking past the end.
        long, cut = words, 2 * unit + 777
        with open(f'{mount}{folder}/cut short.txt', 'wb') as file:
            file.write(long)
        os.truncate(f'{mount}{folder}/cut short.txt', cut)
        tree.file(folder + '/cut short.txt', long[:cut], 'compressed')
        leap = Sparse(6 * unit + 99, [(0, words[:unit // 2]), (5 * unit + 10, words[:unit // 2])])
        leap.write(f'{mount}{folder}/with a hole.bin')
        tree.file(folder + '/with a hole.bin', leap, 'compressed sparse')
        for path, data in plain.items():
            if data is None:
                os.mkdir(mount + path)
                tree.folder(path)
            else:
                with open(mount + path, 'wb') as file:
                    file.write(data)
                tree.file(path, data)
        tree.times(name)
        tree.stamp(mount)
    tree.truth(name)
    pack(name, image)


def ntfs_valid():
    """Valid size below size: the bytes between are defined zeros, whatever the clusters hold."""
    size, tree = 40_000, Tree()
    tree.folder('/Valid')
    wanted = {'all garbage.bin': 0, 'one byte.bin': 1, 'a sector.bin': 512, 'inside a cluster.bin': 10_000, 'a cluster border.bin': 16_384,
              'all but one.bin': size - 1, 'last cluster only.bin': 36_864, 'all of it.bin': size}
    full = {name: numbered(size, name) for name in wanted}
    for name, valid in wanted.items():
        tree.file('/Valid/' + name, full[name][:valid] + bytes(size - valid), f'valid={valid}')
    tree.file('/Valid/owner.txt', b'has a stream that is valid in part\n')
    tree.stream('/Valid/owner.txt', 'partly', numbered(9000, 'st')[:5000] + bytes(4000), 'valid=5000')
    tree.file('/Valid/preallocated.bin', numbered(6000, 'pre'), 'size below allocated')
    tree.times('ntfs-valid')
    image = mkntfs('ntfs-valid.img', 4 << 20, '-c', '4096', label='valid')
    with mounted(image) as mount:
        tree.write(mount)
        for name, data in full.items():                # written in full: the clusters hold other bytes than zeros
            with open(f'{mount}/Valid/{name}', 'r+b') as file:
                file.write(data)
        with open(mount + '/Valid/owner.txt:partly', 'r+b') as file:
            file.write(numbered(9000, 'st'))
        with open(mount + '/Valid/preallocated.bin', 'r+b') as file:
            file.write(numbered(30_000, 'pre'))
        tree.stamp(mount)
    with Volume(image) as volume:
        for name, valid in wanted.items():
            number = volume.by_name(name)
            record = volume.record(number)
            struct.pack_into('<Q', record, volume.find(record, DATA).at + 0x38, valid)
            volume.put_record(number, record)
        number = volume.by_name('owner.txt')
        record = volume.record(number)
        struct.pack_into('<Q', record, volume.find(record, DATA, 'partly').at + 0x38, 5000)
        volume.put_record(number, record)
        # A size below what is allocated, as after a program reserved room: clusters beyond the size are no content.
        number = volume.by_name('preallocated.bin')
        record = volume.record(number)
        struct.pack_into('<QQ', record, volume.find(record, DATA).at + 0x30, 6000, 6000)
        volume.put_record(number, record)
    tree.truth('ntfs-valid')
    pack('ntfs-valid', image)


def ntfs_encrypted():
    """Files as the system's own file encryption leaves them: attribute and stream flags, and a $EFS stream.

    The key stream is invented: its fields are from memory, only its name and type are what a reader looks at.
    """
    tree = Tree()
    secret = {'/Private/letter.rtf': noise(5000, 'efs1'), '/Private/diary.txt': noise(4096, 'efs2'), '/Private/large.bin': noise(30_000, 'efs3')}
    tree.folder('/Private')
    tree.folder('/Open')
    for path, data in secret.items():
        tree.file(path, data)
    tree.file('/Private/not encrypted.txt', text(2000, 'open'))
    tree.file('/Open/plain.txt', text(3000, 'plain'))
    tree.times('ntfs-encrypted')
    image = mkntfs('ntfs-encrypted.img', 4 << 20, '-c', '4096', label='encrypted')
    with mounted(image) as mount:
        tree.write(mount)
    name = '$EFS'.encode('utf-16le')
    keys = struct.pack('<IIII', 600 - 88, 0, 2, 0).ljust(200, b'\0') + noise(312, 'keys')
    with Volume(image) as volume:
        for path in [*secret, '/Private']:
            number = volume.by_name(path.rsplit('/', 1)[1])
            record = volume.record(number)
            volume.file_attributes(record, ENCRYPTED)
            data = volume.find(record, DATA)
            if data:                                   # a folder is only marked: what is made in it gets encrypted
                struct.pack_into('<H', record, data.at + 0x0C, 0x4000)
                end = max(one.at + one.length for one in volume.attributes(record))
                body = keys[:400]
                head = struct.pack('<IIBBHHHIHH', LOGGED_UTILITY_STREAM, 0x20 + len(body), 0, 4, 0x18, 0, volume.next_id(record),
                                   len(body), 0x20, 0)
                volume.replace(record, end, 0, head + name + body)
            volume.put_record(number, record)
    truth = []
    for kind, path, size, digest, note in tree.lines():
        locked = path in secret
        words = 'encrypted ' if locked else 'encrypted-folder ' if path == '/Private' else ''
        truth.append((kind, path, size, '' if locked else digest, words + note))
    write_truth('ntfs-encrypted', truth)
    pack('ntfs-encrypted', image)


RECIPES = {
    'ntfs-compressed': lambda: compressed('ntfs-compressed', 6 << 20, 4096),
    'ntfs-compressed-512': lambda: compressed('ntfs-compressed-512', 4 << 20, 512),
    'ntfs-compressed-1k': lambda: compressed('ntfs-compressed-1k', 4 << 20, 1024),
    'ntfs-valid': ntfs_valid,
    'ntfs-encrypted': ntfs_encrypted,
}
