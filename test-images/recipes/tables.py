"""Disks with partition tables of every kind that is read, each with small volumes inside.

Beside each image: NAME.table.json, what `sfdisk --json` says of it.
"""
import contextlib
import os
import struct
import zlib

from common import HERE, Tree, WORK, blank, mkntfs, mounted, numbered, pack, run, text, write_truth

MIB = 2048                                             # in sectors of 512
EFI, RESERVED, BASIC, RECOVERY = ('C12A7328-F81F-11D2-BA4B-00A0C93EC93B', 'E3C9E316-0B5C-4DB8-817D-F92DF00215AE',
                                  'EBD0A0A2-B9E5-4433-87C0-68B6B72699C7', 'DE94BBA4-06D1-4D40-A16A-BFD50179D6AC')


def ntfs(disk, start, size, label, serial, sector=512):
    """A small NTFS volume written to byte `start`; gives its tree."""
    tree = Tree()
    tree.folder('/Users')
    tree.folder(f'/Users/{label}')
    tree.file(f'/Users/{label}/letter.txt', text(1800, label))
    tree.file(f'/Users/{label}/picture.bin', numbered(30_000, label))
    tree.file(f'/this is volume {label}.txt', f'{label}\n'.encode())
    tree.times(label)
    image = mkntfs(os.path.basename(disk) + '.part', size, '-c', '4096', label=label, serial=serial, sector=sector)
    with mounted(image) as mount:
        tree.write(mount)
    with open(image, 'r+b') as volume:                 # both boot sectors say where the volume starts on the disk
        for at in (0, struct.unpack('<Q', volume.read(48)[40:48])[0] * sector):
            volume.seek(at + 0x1C)
            volume.write(struct.pack('<I', start // sector))
    insert(disk, image, start)
    return tree


def insert(disk, image, start):
    run('dd', f'if={image}', f'of={disk}', 'bs=4096', f'seek={start // 4096}', 'conv=notrunc,sparse')
    os.unlink(image)


def fat(disk, start, size, label):
    """A small FAT volume with nothing but its label: it is only to be recognised."""
    image = blank(os.path.basename(disk) + '.part', size)
    run('mkfs.fat', '-n', label, '-i', '0C401209', '--invariant', image)
    insert(disk, image, start)


def sfdisk(disk, script):
    run('sfdisk', '-q', disk, input=script.encode())


def finish(name, disk, volumes, device=None):
    """`volumes`: number (as we count) → (number of the table entry, tree)."""
    out = run('sfdisk', '--json', device or os.path.basename(disk), cwd=WORK).decode()
    if device:
        out = out.replace(device + 'p', device).replace(device, os.path.basename(disk))
    with open(os.path.join(HERE, name + '.table.json'), 'w') as file:
        file.write(out)
    rows = []
    for number, (entry, tree) in volumes.items():
        rows += [(*row[:4], f'partition={entry} {row[4]}') for row in tree.lines(number)]
    write_truth(name, rows)
    pack(name, disk)


def mbr_primary():
    """Four primary entries: start, main, a FAT volume and a hidden recovery volume."""
    disk = blank('mbr-primary.img', 16 << 20)
    sfdisk(disk, 'label: dos\nlabel-id: 0x11111111\n'
                 f'start={1 * MIB}, size={3 * MIB}, type=7, bootable\nstart={4 * MIB}, size={4 * MIB}, type=7\n'
                 f'start={8 * MIB}, size={3 * MIB}, type=6\nstart={11 * MIB}, size={4 * MIB}, type=27\n')
    one = ntfs(disk, 1 << 20, 3 << 20, 'System Reserved', 0x1111)
    two = ntfs(disk, 4 << 20, 4 << 20, 'Choir', 0x2222)
    fat(disk, 8 << 20, 3 << 20, 'STICK')
    four = ntfs(disk, 11 << 20, 4 << 20, 'Recovery', 0x4444)
    finish('mbr-primary', disk, {1: (1, one), 2: (2, two), 4: (4, four)})


def mbr_chain(name, logical, label_id):
    """One primary volume and an extended partition from 5 MiB; `logical`: MiB of each volume inside, in the chain's order."""
    disk = blank(name + '.img', 20 << 20)
    sfdisk(disk, f'label: dos\nlabel-id: {label_id}\n1 : start={MIB}, size={3 * MIB}, type=7, bootable\n'
                 f'4 : start={5 * MIB}, size={14 * MIB}, type=f\n'
           + ''.join(f'{number} : start={at * MIB}, size={3 * MIB}, type=7\n' for number, at in enumerate(logical, 5)))
    volumes = {1: (1, ntfs(disk, 1 << 20, 3 << 20, 'First', 0x51))}
    for number, at in enumerate(logical, 5):
        volumes[number - 3] = number, ntfs(disk, at << 20, 3 << 20, f'Logical {number}', 0x500 + number)
    finish(name, disk, volumes)


def gpt_script(extra, entries):
    lines = ['label: gpt', 'label-id: 0C401209-0000-4000-8000-000000000000', extra]
    for number, (start, size, kind, title) in enumerate(entries, 1):
        lines.append(f'start={start}, size={size}, type={kind}, uuid=0C401209-0000-4000-8000-{number:012}, name="{title}"')
    return '\n'.join(lines) + '\n'


GPT = [(1 * MIB, 2 * MIB, EFI, 'EFI system'), (3 * MIB, 1 * MIB, RESERVED, 'Reserved'), (4 * MIB, 4 * MIB, BASIC, 'Basic data Ünï ✓'),
       (8 * MIB, 3 * MIB, RECOVERY, 'Recovery')]


def gpt_volumes(disk):
    fat(disk, 1 << 20, 2 << 20, 'EFI')
    return {3: (3, ntfs(disk, 4 << 20, 4 << 20, 'Choir', 0x6123)), 4: (4, ntfs(disk, 8 << 20, 3 << 20, 'Recovery', 0x6124))}


def gpt_128():
    disk = blank('gpt-128.img', 12 << 20)
    sfdisk(disk, gpt_script('', GPT))
    finish('gpt-128', disk, gpt_volumes(disk))


def gpt_256():
    """Entries of 256 bytes, with junk past the known fields. No tool writes them, so both tables are made anew."""
    disk = blank('gpt-256.img', 12 << 20)
    sfdisk(disk, gpt_script('first-lba: 128', GPT))
    with open(disk, 'r+b') as image:
        def at(block, length):
            image.seek(block * 512)
            return image.read(length)
        for header in (1, struct.unpack_from('<Q', at(1, 92), 32)[0]):           # the first header, then its backup
            head = bytearray(at(header, 92))
            table, count, size = struct.unpack_from('<QII', head, 72)
            old = at(table, count * size)
            new = b''.join(old[i:i + 128] + (b'\xee' if any(old[i:i + 128]) else b'\0') * 128 for i in range(0, len(old), 128))
            block = 2 if header == 1 else header - len(new) // 512
            struct.pack_into('<QIII', head, 72, block, count, 256, zlib.crc32(new))
            struct.pack_into('<QQ', head, 40, 128, 12 * MIB - 66)               # first and last usable block
            struct.pack_into('<I', head, 16, 0)
            struct.pack_into('<I', head, 16, zlib.crc32(head))
            for where, data in ((header, head), (block, new)):
                image.seek(where * 512)
                image.write(data)
    finish('gpt-256', disk, gpt_volumes(disk))


@contextlib.contextmanager
def loop(disk):
    """The disk as a device with sectors of 4096 bytes."""
    device = run('losetup', '-b', '4096', '-f', '--show', disk, fake=False).decode().strip()
    try:
        yield device
    finally:
        run('sync', device, fake=False)
        run('losetup', '-d', device, fake=False)


def gpt_4k():
    """A disk with sectors of 4096 bytes: sfdisk writes and reads it through a loop device of that sector size."""
    disk = blank('gpt-4k.img', 12 << 20)
    entries = [(start // 8, size // 8, kind, title) for start, size, kind, title in GPT]
    with loop(disk) as device:
        sfdisk(device, gpt_script('', entries))
    image = blank('gpt-4k.img.part', 2 << 20)
    run('mkfs.fat', '-S', '4096', '-n', 'EFI', '-i', '0C401209', '--invariant', image)
    insert(disk, image, 1 << 20)
    volumes = {3: (3, ntfs(disk, 4 << 20, 4 << 20, 'Choir', 0x6123, 4096)), 4: (4, ntfs(disk, 8 << 20, 3 << 20, 'Recovery', 0x6124, 4096))}
    with loop(disk) as device:
        finish('gpt-4k', disk, volumes, device)


def gpt_hybrid():
    """A GPT whose protective MBR names two of its volumes too."""
    disk = blank('gpt-hybrid.img', 12 << 20)
    sfdisk(disk, gpt_script('', GPT))
    run('sgdisk', '-h', '3:4', disk)
    finish('gpt-hybrid', disk, gpt_volumes(disk))


RECIPES = {
    'mbr-primary': mbr_primary,
    'mbr-logical': lambda: mbr_chain('mbr-logical', (6, 10, 14), '0x22222222'),
    'mbr-outoforder': lambda: mbr_chain('mbr-outoforder', (10, 15, 6), '0x33333333'),
    'gpt-128': gpt_128, 'gpt-256': gpt_256, 'gpt-4k': gpt_4k, 'gpt-hybrid': gpt_hybrid,
}
