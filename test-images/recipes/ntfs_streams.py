"""NTFS volumes whose files have more than a name and a content: streams, links, DOS names, reparse points."""
import os
import struct

from common import Sparse, Tree, mkntfs, mounted, noise, numbered, pack, text, write_truth
from ntfsedit import DATA, REPARSE_POINT, Volume

JUNCTION, SYMLINK, CLOUD, WOF, DEDUP = 0xA0000003, 0xA000000C, 0x9000701A, 0x80000017, 0x80000013
APP_ALIAS, LX_SYMLINK, UNKNOWN = 0x8000001B, 0xA000001D, 0x80000AAA


def ntfs_streams():
    """Alternate streams on files and folders, several names for one file, DOS names beside long ones."""
    tree = Tree()
    for folder in ('/Downloads', '/Songs', '/Songs/Old', '/Songs/Folder with streams'):
        tree.folder(folder)
    tree.file('/Downloads/programme.zip', noise(3000, 'zip'))
    tree.stream('/Downloads/programme.zip', 'Zone.Identifier', b'[ZoneTransfer]\r\nZoneId=3\r\n')
    tree.file('/Downloads/empty.txt', b'')
    tree.stream('/Downloads/empty.txt', 'hidden', numbered(30_000, 'hidden'))
    tree.file('/Downloads/many.txt', text(900, 'many'))
    for at, size in enumerate((0, 1, 600, 700, 4096, 100_000)):
        tree.stream('/Downloads/many.txt', f's{size}', numbered(size, f'm{at}'))
    for name in ('with space', 'Ночь', '楽譜', '🎵', 'x' * 200, 'sparse'):
        data = Sparse(300_000, [(200_000, numbered(5000, 'sp'))]) if name == 'sparse' else numbered(1000, 'n')
        tree.stream('/Downloads/many.txt', name, data, 'sparse' if name == 'sparse' else '')
    tree.stream('/Songs/Folder with streams', 'small', b'a stream of a folder\n')
    tree.stream('/Songs/Folder with streams', 'large', numbered(50_000, 'fl'))
    tree.stream('/Songs', 'note', b'a stream of a folder that holds files\n')
    tree.file('/Songs/Evening over the Mill.txt', text(5000, 'mill'))
    tree.stream('/Songs/Evening over the Mill.txt', 'remark', b'one stream, four names of its file\n')
    tree.hardlink('/Songs/Old/Evening.txt', '/Songs/Evening over the Mill.txt')
    tree.hardlink('/Evening link.txt', '/Songs/Evening over the Mill.txt')
    tree.hardlink('/Songs/Evening, the same folder.txt', '/Songs/Evening over the Mill.txt')
    short = {'/Songs/Three Lanterns for the whole choir.txt': 'THREEL~1.TXT', '/Songs/Old/Morning at the Well.txt': 'MORNIN~1.TXT',
             '/Songs/Old': 'OLD~1', '/Songs/Folder with streams': 'FOLDER~1', '/Songs/plain.txt': ''}
    for path in (one for one in short if one.endswith('.txt')):
        tree.file(path, text(1200, path))
    for path, name in short.items():
        if name:
            tree.note(path, f'dos-name={name}')
    tree.times('ntfs-streams')
    image = mkntfs('ntfs-streams.img', 6 << 20, '-c', '4096', label='streams')
    with mounted(image) as mount:
        tree.write(mount)
        for path, name in short.items():
            if name:
                os.setxattr(mount + path, 'system.ntfs_dos_name', name.encode())
        first, second = '/Songs/Three Lanterns for the whole choir.txt', '/Songs/Old/Lanterns, linked.txt'
        os.link(mount + first, mount + second)         # a DOS name can only be given before there are links
        tree.hardlink(second, first)
        tree.stamp(mount)
    tree.truth('ntfs-streams')
    pack('ntfs-streams', image)


def reparse(tag, body):
    return struct.pack('<IHH', tag, len(body), 0) + body


def link_buffer(tag, target, shown, relative=False):
    """Junction or symbolic link: where it leads, as the system and as people write it."""
    one, two = target.encode('utf-16le'), shown.encode('utf-16le')
    end = b'\0\0'
    head = struct.pack('<4H', 0, len(one), len(one) + 2, len(two))
    if tag == SYMLINK:
        head += struct.pack('<I', relative)
    return reparse(tag, head + one + end + two + end)


def ntfs_reparse():
    """Links, cloud files with and without their content, and content that lies elsewhere."""
    tree, points, calls = Tree(), {}, bytes(range(64))     # what a cloud provider writes here is its own affair

    def point(path, buffer, words):
        points[path] = buffer
        tree.note(path, words)

    tree.folder('/Real')
    tree.file('/Real/song.txt', text(4000, 'song'))
    tree.folder('/Links')
    for name, target, shown in (('junction', '\\??\\C:\\Real', 'C:\\Real'), ('junction to nowhere', '\\??\\D:\\Gone', 'D:\\Gone'),
                                ('junction loop', '\\??\\C:\\Links', 'C:\\Links')):
        tree.folder('/Links/' + name)
        point('/Links/' + name, link_buffer(JUNCTION, target, shown), f'tag={JUNCTION:08X} target={target}')
    for name, target, relative in (('symlink.txt', '..\\Real\\song.txt', True), ('symlink absolute.txt', '\\??\\C:\\Real\\song.txt', False),
                                   ('symlink out.txt', '..\\..\\..\\..\\outside.txt', True), ('symlink ünï ✓', '..\\Ночь 🎵', True)):
        tree.file('/Links/' + name, b'')
        point('/Links/' + name, link_buffer(SYMLINK, target, target.removeprefix('\\??\\'), relative), f'tag={SYMLINK:08X} target={target}')
    tree.folder('/Links/symlink to folder')
    point('/Links/symlink to folder', link_buffer(SYMLINK, '..\\Real', '..\\Real', True), f'tag={SYMLINK:08X} target=..\\Real')
    tree.file('/Links/unix.lnk', b'')
    point('/Links/unix.lnk', reparse(LX_SYMLINK, struct.pack('<I', 2) + b'../Real/song.txt'), f'tag={LX_SYMLINK:08X} target=../Real/song.txt')
    tree.file('/Links/broken buffer', b'')
    point('/Links/broken buffer', link_buffer(SYMLINK, 'x', 'x', True), f'tag={SYMLINK:08X} target-unreadable')
    for one in tree.objects:
        if one[1] in points:
            one[0], one[2] = 'link', None

    tree.folder('/Cloud', '')
    point('/Cloud', reparse(CLOUD, calls), f'tag={CLOUD:08X} cloud')
    tree.file('/Cloud/all here.bin', numbered(100_000, 'here'))
    tree.file('/Cloud/all here, small.txt', numbered(300, 'small'))
    tree.file('/Cloud/online only.bin', Sparse(300_000, []))
    tree.file('/Cloud/partly here.bin', Sparse(300_000, [(65_536, numbered(65_536, 'part'))]))
    tree.file('/Cloud/empty.txt', b'')
    tree.folder('/Cloud/folder')
    tree.file('/Cloud/folder/inside.txt', text(2000, 'inside'), 'plain')
    for name, tag, words in (('all here.bin', CLOUD, ''), ('all here, small.txt', 0x9000601A, ''), ('online only.bin', CLOUD, 'absent'),
                             ('partly here.bin', CLOUD, 'absent never-here=0+65536,131072+168928'), ('empty.txt', CLOUD, ''), ('folder', 0x9000101A, '')):
        point('/Cloud/' + name, reparse(tag, calls), f'{words} tag={tag:08X} cloud'.strip())

    tree.folder('/Elsewhere')
    elsewhere = {'WIM-backed.dll': (WOF, struct.pack('<4I', 1, 1, 1, 0) + bytes(48)), 'deduplicated.bin': (DEDUP, bytes(range(100))),
                 'single instance.bin': (0x80000007, bytes(40)), 'on tape.bin': (0xC0000004, bytes(40)), 'unknown tag.bin': (UNKNOWN, bytes(16))}
    for name, (tag, body) in elsewhere.items():
        tree.file('/Elsewhere/' + name, Sparse(120_000, []))
        point('/Elsewhere/' + name, reparse(tag, body), f'unlocated tag={tag:08X}')
    tree.file('/Elsewhere/app alias.exe', b'')
    point('/Elsewhere/app alias.exe', reparse(APP_ALIAS, struct.pack('<I', 3) + 'Choir\0'.encode('utf-16le')), f'list-only tag={APP_ALIAS:08X}')
    tree.times('ntfs-reparse')
    image = mkntfs('ntfs-reparse.img', 6 << 20, '-c', '4096', label='reparse')
    links = [one for one in tree.objects if one[0] == 'link']
    for one in links:                                  # written as what they are underneath: an empty file or folder
        one[0] = 'folder' if 'junction' in one[1] or 'to folder' in one[1] else 'file'
        one[2] = b''
    with mounted(image) as mount:
        tree.write(mount)
        for path in sorted(points, key=len, reverse=True):
            os.setxattr(mount + path, 'system.ntfs_reparse_data', points[path])
    for one in links:
        one[0], one[2] = 'link', None
    with Volume(image) as volume:                      # as for a file whose content was once there: all of it valid
        for name in ('online only.bin', 'partly here.bin', *elsewhere):
            number = volume.by_name(name)
            record = volume.record(number)
            data = volume.find(record, DATA)
            struct.pack_into('<Q', record, data.at + 0x38, data.size)
            volume.put_record(number, record)
        number = volume.by_name('broken buffer')       # ntfs-3g refuses a buffer whose lengths lie
        record = volume.record(number)
        struct.pack_into('<4H', record, volume.find(record, REPARSE_POINT).value + 8, 0, 60000, 60002, 60000)
        volume.put_record(number, record)
    truth = []
    for kind, path, size, digest, note in tree.lines():
        if note.startswith('unlocated') or note.startswith('absent tag'):
            digest = ''                                # no byte of it is here, so there is nothing to compare
        truth.append((kind, path, size, digest, note))
    write_truth('ntfs-reparse', truth)
    pack('ntfs-reparse', image)


RECIPES = {'ntfs-streams': ntfs_streams, 'ntfs-reparse': ntfs_reparse}
