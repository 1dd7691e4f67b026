"""Byte edits on an NTFS image: for what no outside tool writes by itself.

Only as much of the format as the recipes need; written from the published layout, and no part of the reader
under test. Every edit undoes the record's fixups, changes it, and puts them back.
"""
import struct

STANDARD_INFORMATION, ATTRIBUTE_LIST, FILE_NAME, VOLUME_INFORMATION, DATA = 0x10, 0x20, 0x30, 0x70, 0x80
REPARSE_POINT, LOGGED_UTILITY_STREAM, END = 0xC0, 0x100, 0xFFFFFFFF


def unfix(block):
    """A record as its writer saw it: the last two bytes of each 512 put back."""
    block = bytearray(block)
    array, count = struct.unpack_from('<HH', block, 4)
    for at in range(1, count):
        assert block[at * 512 - 2:at * 512] == block[array:array + 2], 'fixup does not match'
        block[at * 512 - 2:at * 512] = block[array + 2 * at:array + 2 * at + 2]
    return block


def fix(block):
    """The same, the other way round."""
    block = bytearray(block)
    array, count = struct.unpack_from('<HH', block, 4)
    for at in range(1, count):
        block[array + 2 * at:array + 2 * at + 2] = block[at * 512 - 2:at * 512]
        block[at * 512 - 2:at * 512] = block[array:array + 2]
    return bytes(block)


def decode_runs(packed):
    """[(first cluster or None for a hole, count)]"""
    runs, at, last = [], 0, 0
    while packed[at]:
        low, high = packed[at] & 15, packed[at] >> 4
        count = int.from_bytes(packed[at + 1:at + 1 + low], 'little')
        step = packed[at + 1 + low:at + 1 + low + high]
        last += int.from_bytes(step, 'little', signed=True)
        runs.append((last if high else None, count))
        at += 1 + low + high
    return runs


class Attribute:
    """Where one attribute stands in a record, and its header's fields."""

    def __init__(self, record, at):
        self.at = at
        self.type, self.length = struct.unpack_from('<II', record, at)
        self.nonresident, self.name_length = record[at + 8], record[at + 9]
        name = at + struct.unpack_from('<H', record, at + 10)[0]
        self.name = record[name:name + 2 * self.name_length].decode('utf-16le')
        if self.nonresident:
            self.runs = decode_runs(record[at + struct.unpack_from('<H', record, at + 0x20)[0]:at + self.length])
            self.allocated, self.size, self.valid = struct.unpack_from('<QQQ', record, at + 0x28)
        else:
            size, where = struct.unpack_from('<IH', record, at + 0x10)
            self.value = at + where                    # position in the record
            self.size = size


class Volume:
    """An NTFS image opened for changing."""

    def __init__(self, path):
        self.file = open(path, 'r+b')
        boot = self.read(0, 512)
        self.sector, per_cluster = struct.unpack_from('<HB', boot, 0x0B)
        self.cluster = self.sector * (per_cluster if per_cluster <= 0x80 else 1 << 256 - per_cluster)
        mft, self.mirror = struct.unpack_from('<QQ', boot, 0x30)
        code = struct.unpack_from('<b', boot, 0x40)[0]
        self.record_size = code * self.cluster if code > 0 else 1 << -code
        first = unfix(self.read(mft * self.cluster, self.record_size))
        self.mft = self.find(first, DATA).runs
        self.records = self.find(first, DATA).size // self.record_size

    def __enter__(self):
        return self

    def __exit__(self, *_):
        self.file.close()

    def read(self, at, length):
        self.file.seek(at)
        return self.file.read(length)

    def write(self, at, data):
        self.file.seek(at)
        self.file.write(data)

    def place(self, runs, offset):
        """Byte in the image of a byte in a stream; None in a hole."""
        for first, count in runs:
            if offset < count * self.cluster:
                return None if first is None else first * self.cluster + offset
            offset -= count * self.cluster
        raise ValueError('past the last run')

    def raw_record(self, number):
        """Read sector by sector: with clusters smaller than a record it may lie in two places."""
        start = number * self.record_size
        return b''.join(self.read(self.place(self.mft, start + at), 512) for at in range(0, self.record_size, 512))

    def record(self, number):
        return unfix(self.raw_record(number))

    def put_record(self, number, record):
        data = fix(record)
        for at in range(0, self.record_size, 512):
            self.write(self.place(self.mft, number * self.record_size + at), data[at:at + 512])
        if number < 4:                                 # the first four stand in $MFTMirr too
            self.write(self.mirror * self.cluster + number * self.record_size, data)

    def attributes(self, record):
        at = struct.unpack_from('<H', record, 0x14)[0]
        while struct.unpack_from('<I', record, at)[0] != END:
            one = Attribute(record, at)
            yield one
            at += one.length

    def find(self, record, kind, name=''):
        return next((one for one in self.attributes(record) if (one.type, one.name) == (kind, name)), None)

    def content(self, attribute):
        """The bytes of a non-resident attribute."""
        out = b''.join(bytes(count * self.cluster) if first is None else
                       self.read(first * self.cluster, count * self.cluster) for first, count in attribute.runs)
        return out[:attribute.size]

    def replace(self, record, at, length, new):
        """Put other bytes (a multiple of 8, perhaps none) in place of `length` bytes of the record's attributes."""
        used = struct.unpack_from('<I', record, 0x18)[0]
        tail = record[at + length:used]
        assert at + len(new) + len(tail) <= len(record), 'no room in the record'
        record[at:] = (new + tail).ljust(len(record) - at, b'\0')
        struct.pack_into('<I', record, 0x18, at + len(new) + len(tail))

    def next_id(self, record):
        number = struct.unpack_from('<H', record, 0x28)[0]
        struct.pack_into('<H', record, 0x28, number + 1)
        return number

    def bitmap(self, first, count, used):
        """Mark clusters used or free in $Bitmap (which is one run on a fresh volume)."""
        base = self.place(self.find(self.record(6), DATA).runs, 0)
        for at in range(first, first + count):
            byte = self.read(base + at // 8, 1)[0]
            bit = 1 << at % 8
            self.write(base + at // 8, bytes([byte | bit if used else byte & ~bit]))

    def resident_list(self, number):
        """Move a short attribute list from its clusters into the base record."""
        record = self.record(number)
        old = self.find(record, ATTRIBUTE_LIST)
        value = self.content(old)
        header = struct.pack('<IIBBHHHIHH', ATTRIBUTE_LIST, 0x18 + -(-len(value) // 8) * 8, 0, 0, 0x18, 0,
                             struct.unpack_from('<H', record, old.at + 0x0E)[0], len(value), 0x18, 0)
        self.replace(record, old.at, old.length, header + value.ljust(-(-len(value) // 8) * 8, b'\0'))
        for first, count in old.runs:
            self.bitmap(first, count, False)
        self.put_record(number, record)

    def records_in_use(self):
        """Number and record of each record in use, extension records among them."""
        for number in range(24, self.records):
            if self.raw_record(number)[:4] == b'FILE':
                record = self.record(number)
                if struct.unpack_from('<H', record, 0x16)[0] & 1:
                    yield number, record

    def names(self, record):
        for one in self.attributes(record):
            if one.type == FILE_NAME:
                name = record[one.value + 0x42:one.value + 0x42 + 2 * record[one.value + 0x40]]
                yield name.decode('utf-16le', 'surrogatepass')

    def by_name(self, name):
        """The base record of the file with this name (the name itself may stand in an extension record)."""
        for number, record in self.records_in_use():
            if name in self.names(record):
                return struct.unpack_from('<Q', record, 0x20)[0] & 0xFFFFFFFFFFFF or number
        raise KeyError(name)

    def first_clusters(self):
        """Name → first cluster of the content, for files whose content is in clusters."""
        out = {}
        for _, record in self.records_in_use():
            data = self.find(record, DATA)
            if data and data.nonresident and data.runs:
                out.update((name, data.runs[0][0]) for name in self.names(record))
        return out

    def file_attributes(self, record, set_bits):
        """Set bits of the file attributes in STANDARD_INFORMATION and in every FILE_NAME."""
        for one in self.attributes(record):
            offset = {STANDARD_INFORMATION: 0x20, FILE_NAME: 0x38}.get(one.type)
            if offset is not None:
                old = struct.unpack_from('<I', record, one.value + offset)[0]
                struct.pack_into('<I', record, one.value + offset, old | set_bits)
