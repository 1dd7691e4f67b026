"""Things that are only to be recognised: one GPT disk with a volume of each kind, and two dynamic disks.

Most are made by their own tools. What has none here is written by hand as the signature bytes of its first
sector; those are marked in the notes, `from-memory` where no published text was at hand.
"""
import os
import struct

from common import HERE, blank, pack, run, write_truth

KIB, MIB = 1 << 10, 1 << 20
UUID = '0c401209-0000-4000-8000-0000000000{:02}'
LINUX, SWAP, LVM, RAID = ('0FC63DAF-8483-4772-8E79-3D69D8477DE4', '0657FD6D-A4AB-43C4-84E5-0933C84B4F4F',
                          'E6D6D379-F507-44C2-A23C-238F2A3DF928', 'A19D880F-05FC-4D3B-A006-743F0F84911E')
BASIC, HFS, APFS, CORE = ('EBD0A0A2-B9E5-4433-87C0-68B6B72699C7', '48465300-0000-11AA-AA11-00306543ECAC',
                          '7C3457EF-0000-11AA-AA11-00306543ECAC', '53746F72-6167-11AA-AA11-00306543ECAC')
LDM_META, LDM_DATA, SPACES = ('5808C8AA-7E8F-42E0-85D2-E1E90434CFB3', 'AF9B60A0-1431-4F62-BC68-3311714A69AD',
                              'E75CAF8F-F680-4CEE-AFA3-B001E56EFC2D')
BITLOCKER_ID = bytes.fromhex('3bd66749292ed84a8399f6a339e3d001')


def put(path, at, data):
    with open(path, 'r+b') as file:
        file.seek(at)
        file.write(data)


def luks(version):
    def make(path):
        more = ['--luks2-metadata-size=16k', '--luks2-keyslots-size=512k'] if version == 2 else []
        run('cryptsetup', 'luksFormat', '-q', f'--type=luks{version}', '--pbkdf=pbkdf2', '--pbkdf-force-iterations=1000',
            '--uuid', UUID.format(version), *more, path, '-', input=b'not a secret', fake=False)
        # The key slots are random bytes: emptied, as only the header is to be recognised.
        start = 4096 if version == 1 else 32 * KIB
        put(path, start, bytes(os.path.getsize(path) - start))
    return make


def lvm(path):
    device = run('losetup', '-f', '--show', path, fake=False).decode().strip()
    try:
        run('pvcreate', '-q', '-ff', '-y', '--config', 'devices{use_devicesfile=0} activation{udev_sync=0 udev_rules=0}', device, fake=False)
    finally:
        run('losetup', '-d', device, fake=False)


def md_sum(block):
    """Linux RAID's checksum: the words added up, carries added back."""
    total = sum(struct.unpack(f'<{len(block) // 4}I', block))
    return ((total & 0xFFFFFFFF) + (total >> 32)) & 0xFFFFFFFF


def raid(minor):
    """A member of a mirror; the kernel would write this, but needs its RAID driver for it. Fields: Linux's md_p.h."""
    def make(path):
        size = os.path.getsize(path)
        if minor == 90:
            words = [0] * 1024
            words[:17] = [0xA92B4EFC, 0, 90, 0, 0, 0x1209, 1_237_043_366, 1, 960, 2, 2, 0, 0, 1, 2, 3, 0]
            words[32:41] = [1_237_043_366, 1, 2, 2, 0, 0, 0, 0, 1]               # utime, state, counts, sum, events
            for disk in range(2):                                                # number, major, minor, place, state
                words[128 + disk * 32:133 + disk * 32] = [disk, 8, 1 + 16 * disk, disk, 6]
            words[992:997] = [0, 8, 1, 0, 6]
            words[38] = md_sum(struct.pack('<1024I', *words))
            put(path, (size & ~0xFFFF) - 0x10000, struct.pack('<1024I', *words))
            return
        where = 8 if minor == 2 else (size // 512 - 16) & ~7                      # sector of the superblock
        data, length = (1024, size // 512 - 1024) if minor == 2 else (0, where)
        block = bytearray(256 + 2 * 128)
        struct.pack_into('<4I16s32sQ2IQ2I', block, 0, 0xA92B4EFC, 1, 0, 0, b'handback choir  ', b'choir:0', 1_237_043_366, 1, 0, length, 0, 2)
        struct.pack_into('<4Q2I16s', block, 128, data, length, where, 0, 0, 0, b'choir device 0  ')
        struct.pack_into('<3Q2I', block, 192, 1_237_043_366, 17, 0xFFFFFFFFFFFFFFFF, 0, 128)
        block[256:] = struct.pack('<128H', 0, 1, *[0xFFFF] * 126)
        struct.pack_into('<I', block, 216, md_sum(block))
        put(path, where * 512, block)
    return make


def hfsplus(path):
    """An empty HFS+ volume, blocks of 4096 bytes: there is no tool for it on Debian 12."""
    size, count, name, now = 4096, os.path.getsize(path) // 4096, 'Chœur'.encode('utf-16be'), 3_320_000_000
    bitmap = (1, -(-count // 8 // size))
    overflow = (bitmap[0] + bitmap[1], 4)
    catalog = (overflow[0] + overflow[1], 64)
    used = catalog[0] + catalog[1] + 1
    fork = lambda place: struct.pack('>QII', place[1] * size, place[1] * size, place[1]) + struct.pack('>II', *place) + bytes(56)
    head = (struct.pack('>2sHI4sI4I', b'H+', 4, 0x100, b'10.0', 0, now, now, 0, now)
            + struct.pack('>9IIQ', 0, 0, size, count, count - used, used - 1, size, size, 16, 0, 1)
            + bytes(32) + fork(bitmap) + fork(overflow) + fork(catalog) + bytes(160))

    def first_node(place, leaf, key, attributes):
        record = struct.pack('>HIIIIHHIIHIBBI', leaf, leaf, 2 * leaf, leaf, leaf, size, key, place[1], place[1] - 1 - leaf, 0,
                             place[1] * size, 0, 0, attributes)
        node = struct.pack('>IIbBHH', 0, 0, 1, 0, 3, 0) + record + bytes(64 + 128) + bytes([0xC0 if leaf else 0x80])
        return node.ljust(size - 8, b'\0') + struct.pack('>4H', size - 8, 248, 120, 14)
    title = struct.pack('>H', len(name) // 2) + name
    root = (struct.pack('>HI', 4 + len(title), 1) + title + struct.pack('>HHII5I', 1, 0, 0, 2, now, now, now, now, 0)
            + struct.pack('>IIBBHI', 0, 0, 0, 0, 0o40755, 0) + bytes(40))
    leaf = struct.pack('>IIbBHH', 0, 0, -1, 1, 2, 0) + root + struct.pack('>HIH', 6, 2, 0) + struct.pack('>HHI', 3, 0, 1) + title
    leaf = leaf.ljust(size - 6, b'\0') + struct.pack('>3H', len(leaf), 14 + len(root), 14)
    bits = bytearray(bitmap[1] * size)
    for at in [*range(used - 1), count - 1]:
        bits[at // 8] |= 0x80 >> at % 8
    for at, data in ((1024, head), (bitmap[0] * size, bits), (overflow[0] * size, first_node(overflow, 0, 10, 2)),
                     (catalog[0] * size, first_node(catalog, 1, 516, 6) + leaf), (count * size - 1024, head)):
        put(path, at, data)


def bitlocker(path):
    """The fixed form: looks like NTFS but for the name."""
    sector = bytearray(512)
    sector[:11] = b'\xeb\x58\x90-FVE-FS-'
    struct.pack_into('<HBH', sector, 11, 512, 8, 0)
    sector[21] = 0xF8
    struct.pack_into('<HHI', sector, 24, 63, 255, 0)
    sector[160:176] = BITLOCKER_ID
    struct.pack_into('<3Q', sector, 176, 0x10000, 0x40000, 0x80000)
    sector[510:] = b'\x55\xaa'
    put(path, 0, sector)
    for at in (0x10000, 0x40000, 0x80000):
        put(path, at, b'-FVE-FS-')


def bitlocker_to_go(path):
    """The form on sticks: looks like FAT32."""
    sector = bytearray(512)
    sector[:11] = b'\xeb\x58\x90MSWIN4.1'
    struct.pack_into('<HBHB', sector, 11, 512, 8, 32, 2)
    struct.pack_into('<BHHHII', sector, 21, 0xF8, 0, 63, 255, 0, os.path.getsize(path) // 512)
    struct.pack_into('<I', sector, 36, 512)
    sector[71:90] = b'NO NAME    FAT32   '
    sector[424:440] = BITLOCKER_ID
    struct.pack_into('<3Q', sector, 440, 0x10000, 0x40000, 0x80000)
    sector[510:] = b'\x55\xaa'
    put(path, 0, sector)
    for at in (0x10000, 0x40000, 0x80000):
        put(path, at, b'-FVE-FS-')


def apfs(path):
    size = os.path.getsize(path)
    block = struct.pack('<QQQIIIIQ', 0, 1, 1, 0x80000001, 0, 0x4253584E, 4096, size // 4096).ljust(4096, b'\0')
    words = struct.unpack('<1022I', block[8:])         # the object checksum: Fletcher's, over all but its own field
    one = two = 0
    for word in words:
        one = (one + word) % 0xFFFFFFFF
        two = (two + one) % 0xFFFFFFFF
    low = 0xFFFFFFFF - (one + two) % 0xFFFFFFFF
    high = 0xFFFFFFFF - (one + low) % 0xFFFFFFFF
    put(path, 0, struct.pack('<II', low, high) + block[8:])


def core_storage(path):
    sector = bytearray(512)
    struct.pack_into('<HHI', sector, 8, 1, 0x10, 0)    # version, type of block
    struct.pack_into('<I', sector, 48, 512)
    struct.pack_into('<Q', sector, 64, os.path.getsize(path))
    sector[88:90] = b'CS'
    struct.pack_into('<I', sector, 96, 4096)
    put(path, 0, sector)


def refs(path):
    sector = bytearray(512)
    sector[3:7] = b'ReFS'
    sector[16:20] = b'FSRS'
    struct.pack_into('<HHQII', sector, 20, 512, 0, os.path.getsize(path) // 512, 512, 8)
    sector[40:42] = bytes([3, 4])
    total = 0
    for at, byte in enumerate(sector):                 # the sum leaves out the jump and itself
        if at > 2 and at not in (22, 23):
            total = ((total >> 1 | (total & 1) << 15) + byte) & 0xFFFF
    struct.pack_into('<H', sector, 22, total)
    put(path, 0, sector)


def tool(*command):
    return lambda path: run(*command, path)


def ext(kind, *options):
    return tool(f'mkfs.{kind}', '-q', '-F', '-U', UUID.format(20), '-E', f'hash_seed={UUID.format(21)}', '-L', kind, *options)


KINDS = [  # what it is, MiB, type in the table, how it is made, where from
    ('luks1', 2, LINUX, luks(1), 'cryptsetup'),
    ('luks2', 2, LINUX, luks(2), 'cryptsetup'),
    ('ext2', 1, LINUX, ext('ext2'), 'mkfs.ext2'),
    ('ext4', 4, LINUX, ext('ext4', '-b', '1024'), 'mkfs.ext4'),
    ('exfat', 4, BASIC, tool('mkfs.exfat', '-L', 'EXFAT'), 'mkfs.exfat'),
    ('fat12', 2, BASIC, tool('mkfs.fat', '-F', '12', '-n', 'FAT12', '-i', '0C401212', '--invariant'), 'mkfs.fat'),
    ('fat16', 9, BASIC, tool('mkfs.fat', '-F', '16', '-n', 'FAT16', '-i', '0C401216', '--invariant'), 'mkfs.fat'),
    ('fat32', 34, BASIC, tool('mkfs.fat', '-F', '32', '-s', '1', '-n', 'FAT32', '-i', '0C401232', '--invariant'), 'mkfs.fat'),
    ('xfs', 16, LINUX, tool('mkfs.xfs', '-q', '--unsupported', '-K', '-m', f'uuid={UUID.format(9)}', '-f'), 'mkfs.xfs'),
    ('btrfs', 16, LINUX, tool('mkfs.btrfs', '-q', '-M', '-K', '-U', UUID.format(10), '-f'), 'mkfs.btrfs'),
    ('lvm', 2, LVM, lvm, 'pvcreate'),
    ('raid-1.2', 2, RAID, raid(2), 'by-hand'),
    ('raid-1.0', 2, RAID, raid(0), 'by-hand superblock-near-the-end'),
    ('raid-0.90', 2, RAID, raid(90), 'by-hand superblock-near-the-end'),
    ('swap', 1, SWAP, tool('mkswap', '-q', '-U', UUID.format(15)), 'mkswap'),
    ('hfsplus', 2, HFS, hfsplus, 'by-hand'),
    ('bitlocker', 1, BASIC, bitlocker, 'by-hand'),
    ('bitlocker-to-go', 1, BASIC, bitlocker_to_go, 'by-hand'),
    ('apfs', 1, APFS, apfs, 'by-hand from-memory'),
    ('corestorage', 1, CORE, core_storage, 'by-hand from-memory'),
    ('refs', 1, BASIC, refs, 'by-hand from-memory'),
    ('storage-spaces', 1, SPACES, lambda path: None, 'type-only'),
    ('zeros', 1, BASIC, lambda path: None, 'nothing-in-it'),
]


def disk_with(name, label, parts):
    """A GPT disk with these parts one after another from 1 MiB on."""
    disk = blank(name + '.img', (2 + sum(part[1] for part in parts)) * MIB)
    lines, at, rows = ['label: gpt', f'label-id: {label}'], 1, []
    for number, (kind, size, code, make, words) in enumerate(parts, 1):
        lines.append(f'start={at * 2048}, size={size * 2048}, type={code}, uuid={label[:-4]}{number:04}, name="{kind}"')
        at += size
    run('sfdisk', '-q', disk, input=('\n'.join(lines) + '\n').encode())
    at = 1
    for number, (kind, size, code, make, words) in enumerate(parts, 1):
        part = blank(f'{name}.img.{kind}', size * MIB)
        make(part)
        assert os.path.getsize(part) == size * MIB, kind
        run('dd', f'if={part}', f'of={disk}', 'bs=1M', f'seek={at}', 'conv=notrunc,sparse')
        os.unlink(part)
        rows.append(('volume', f'{number}:/', size * MIB, '', f'recognise={kind} start={at * MIB} made-with={words}'))
        at += size
    with open(os.path.join(HERE, name + '.table.json'), 'wb') as out:
        out.write(run('sfdisk', '--json', os.path.basename(disk), cwd=os.path.dirname(disk)))
    write_truth(name, rows)
    pack(name, disk)


def dynamic_mbr():
    """A dynamic disk as Windows 2000 to 7 make them: one entry of type 42h, a private header in sector 6."""
    disk = blank('dynamic-mbr.img', 4 * MIB)
    run('sfdisk', '-q', disk, input=b'label: dos\nlabel-id: 0x44444444\nstart=63, size=6000, type=42\n')
    put(disk, 6 * 512, b'PRIVHEAD' + struct.pack('>IHHQ', 0, 2, 11, 128_815_169_660_000_000))
    put(disk, 4 * MIB - MIB, b'TOCBLOCK'.rjust(8 + 512, b'\0'))
    with open(os.path.join(HERE, 'dynamic-mbr.table.json'), 'wb') as out:
        out.write(run('sfdisk', '--json', os.path.basename(disk), cwd=os.path.dirname(disk)))
    write_truth('dynamic-mbr', [('volume', '1:/', 6000 * 512, '', f'recognise=dynamic-disk start={63 * 512} made-with=by-hand from-memory')])
    pack('dynamic-mbr', disk)


def dynamic_gpt():
    nothing = lambda path: None
    disk_with('dynamic-gpt', '0C401209-0000-4000-8000-000000001000', [
        ('ldm-metadata', 1, LDM_META, lambda path: put(path, MIB - 512, b'PRIVHEAD' + struct.pack('>IHH', 0, 2, 12)), 'by-hand from-memory'),
        ('ldm-data', 2, LDM_DATA, nothing, 'type-only')])


RECIPES = {
    'foreign': lambda: disk_with('foreign', '0C401209-0000-4000-8000-000000000000', KINDS),
    'dynamic-mbr': dynamic_mbr,
    'dynamic-gpt': dynamic_gpt,
}
