"""System-compressed files (`compact /exe`): a WofCompressedData stream beside an all-hole content.

No tool outside Windows writes them. A compressed resource inside a WIM archive has the same layout, so wimlib
compresses into one, and each resource is cut out and written as the stream.
"""
import hashlib
import os
import struct

from common import Sparse, Tree, mkntfs, mounted, noise, numbered, pack, run, text, work
from ntfsedit import DATA, REPARSE_POINT, Volume

FORMATS = {'xpress4k': (0, 'XPRESS', 4096), 'lzx': (1, 'LZX', 32768), 'xpress8k': (2, 'XPRESS', 8192),
           'xpress16k': (3, 'XPRESS', 16384)}


def contents(chunk):
    calls = b''.join(b'\xe8' + struct.pack('<i', at * 37 % 4000 - 1500) + text(at % 40, 'c') for at in range(900))
    return {
        'text.txt': text(70_000, 'wof'),
        'exactly three chunks.txt': text(3 * chunk, 'wof'),
        'a chunk and a byte.txt': text(chunk + 1, 'wof'),
        'one chunk.txt': text(chunk - 100, 'wof'),
        'zeros.bin': bytes(100_000),
        'stored chunks.bin': text(2 * chunk, 'wof') + noise(chunk, 'wof') + bytes(chunk) + text(chunk // 2, 'wof'),
        'numbered.bin': numbered(60_000, 'wof'),
        'calls.exe': b'MZ' + calls,                    # E8 bytes: the translation of call targets in LZX
        'sub/ünï.txt': text(5000, 'wof'),
        'random.bin': noise(2000, 'wof'),            # these cannot be made smaller and stay plain
        'small.txt': b'hello\r\n',
        'empty.txt': b'',
    }


def resources(folder, wim, comp, chunk):
    """SHA-1 → (compressed, bytes) of each resource in a WIM archive made of a folder."""
    run('wimlib-imagex', 'capture', folder, wim, '--no-acls', '--compress=' + comp, f'--chunk-size={chunk}', '--threads=1')
    with open(wim, 'rb') as file:
        data = file.read()

    def header(at):                                    # size in the archive, flags, where
        size, offset = struct.unpack_from('<QQ', data, at)
        return size & (1 << 56) - 1, size >> 56, offset
    size, _, table = header(48)
    out = {}
    for at in range(table, table + size, 50):
        length, flags, offset = header(at)
        out[data[at + 30:at + 50]] = flags & 4, data[offset:offset + length]
    return out


def wof(form):
    number, comp, chunk = FORMATS[form]
    name, tree = 'ntfs-wof-' + form, Tree()
    folder = work(name + '.source')
    os.makedirs(folder + '/sub')
    tree.folder('/sub')
    for path, data in contents(chunk).items():
        tree.file('/' + path, data)
        with open(f'{folder}/{path}', 'wb') as file:
            file.write(data)
    packed = resources(folder, work(name + '.wim'), comp, chunk)
    image, made = mkntfs(name + '.img', 4 << 20, '-c', '4096', label='wof ' + form), []
    tree.times(name)
    with mounted(image) as mount:
        os.mkdir(mount + '/sub')
        for kind, path, data, *_ in tree.objects[1:]:
            compressed, stream = packed.get(hashlib.sha1(data).digest(), (0, b''))
            if not compressed:
                with open(mount + path, 'wb') as file:
                    file.write(data)
                continue
            Sparse(len(data), []).write(mount + path)  # one hole
            with open(f'{mount}{path}:WofCompressedData', 'wb') as file:
                file.write(stream)
            made.append(path)
            tree.note(path, f'system-compressed={form}')
        tree.stamp(mount)
        for path in made:                              # last: once it has the tag, ntfs-3g shows no content
            os.setxattr(mount + path, 'system.ntfs_reparse_data', struct.pack('<IHHIIII', 0x80000017, 16, 0, 1, 2, 1, number))
    with Volume(image) as volume:                      # ntfs-3g leaves a hole's valid size at 0; Windows has the full size
        for at, record in list(volume.records_in_use()):
            data = volume.find(record, DATA)
            if volume.find(record, REPARSE_POINT) and data and data.nonresident:
                struct.pack_into('<Q', record, data.at + 0x38, data.size)
                volume.put_record(at, record)
    tree.truth(name)
    pack(name, image)


RECIPES = {'ntfs-wof-' + form: (lambda form=form: wof(form)) for form in FORMATS}
