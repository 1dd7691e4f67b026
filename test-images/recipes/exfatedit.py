"""Byte edits of exFAT volumes, after the exFAT specification 1.00. Checksums are kept right."""
import struct

FILE, STREAM, NAME = 0x85, 0xC0, 0xC1


class Volume:
    """A volume in memory. Folders are taken to lie in one piece or to have a chain, as their entries say."""

    def __init__(self, path):
        self.path = path
        with open(path, 'rb') as image:
            self.bytes = bytearray(image.read())
        (self.fat, _, self.heap, self.count, self.root) = struct.unpack_from('<5I', self.bytes, 0x50)
        self.sector = 1 << self.bytes[0x6C]
        self.cluster = self.sector << self.bytes[0x6D]

    def save(self):
        with open(self.path, 'r+b') as image:
            image.write(self.bytes)

    # Boot regions

    def set_serial(self, serial):
        for at in (0, 12 * self.sector):
            struct.pack_into('<I', self.bytes, at + 0x64, serial)
        self.mend_boot()

    def mend_boot(self):
        for at in (0, 12 * self.sector):
            total = 0
            for index, byte in enumerate(self.bytes[at:at + 11 * self.sector]):
                if index not in (106, 107, 112):
                    total = ((total >> 1) | (total & 1) << 31) + byte & 0xFFFFFFFF
            words = self.sector // 4
            struct.pack_into(f'<{words}I', self.bytes, at + 11 * self.sector, *[total] * words)

    # Clusters

    def link(self, cluster, value=None):
        at = self.fat * self.sector + 4 * cluster
        if value is not None:
            struct.pack_into('<I', self.bytes, at, value)
        return struct.unpack_from('<I', self.bytes, at)[0]

    def place(self, cluster):
        return self.heap * self.sector + (cluster - 2) * self.cluster

    def bitmap(self):
        for at in self.entries(self.root, 0, False):
            if self.bytes[at] == 0x81:
                return self.place(struct.unpack_from('<I', self.bytes, at + 20)[0])
        raise SystemExit('no bitmap')

    def is_used(self, cluster):
        return self.bytes[self.bitmap() + (cluster - 2) // 8] >> (cluster - 2) % 8 & 1

    def take(self, count):
        """Free clusters in one piece, now in use; gives the first."""
        free = [cluster for cluster in range(2, self.count + 2) if not self.is_used(cluster)]
        first = next(c for c in free if all(c + more in free for more in range(count)))
        for cluster in range(first, first + count):
            self.bytes[self.bitmap() + (cluster - 2) // 8] |= 1 << (cluster - 2) % 8
        return first

    # Entries

    def entries(self, first, length, contiguous):
        cluster, left = first, length or 1 << 40
        while 2 <= cluster < self.count + 2 and left > 0:
            for at in range(self.place(cluster), self.place(cluster) + self.cluster, 32):
                if self.bytes[at] == 0:
                    return
                yield at
            left -= self.cluster
            cluster = cluster + 1 if contiguous else self.link(cluster)

    def find(self, path):
        """The places of a set's entries."""
        where, found = (self.root, 0, False), None
        for part in path.strip('/').split('/'):
            places, found = list(self.entries(*where)), None
            for index, at in enumerate(places):
                if self.bytes[at] != FILE:
                    continue
                mine = places[index:index + 1 + self.bytes[at + 1]]
                stream = mine[1]
                name = b''.join(bytes(self.bytes[one + 2:one + 32]) for one in mine if self.bytes[one] == NAME)
                if name.decode('utf-16le', 'surrogatepass')[:self.bytes[stream + 3]] == part:
                    found = mine
                    where = (struct.unpack_from('<I', self.bytes, stream + 20)[0],
                             struct.unpack_from('<Q', self.bytes, stream + 24)[0], bool(self.bytes[stream + 1] & 2))
            if not found:
                raise SystemExit(f'{path} is not there')
        return found

    def mend(self, places):
        """Set the checksum of a set right."""
        total = 0
        for index, byte in enumerate(b''.join(bytes(self.bytes[at:at + 32]) for at in places)):
            if index not in (2, 3):
                total = ((total >> 1) | (total & 1) << 15) + byte & 0xFFFF
        struct.pack_into('<H', self.bytes, places[0] + 2, total)

    def set_valid(self, path, valid):
        places = self.find(path)
        struct.pack_into('<Q', self.bytes, places[1] + 8, valid)
        self.mend(places)

    def set_zone(self, path, byte):
        places = self.find(path)
        self.bytes[places[0] + 22:places[0] + 25] = bytes([byte] * 3)
        self.mend(places)

    def chain(self, path, extra=0):
        """Give a file in one piece a chain, with clusters beyond its size."""
        places = self.find(path)
        stream = places[1]
        first, length = struct.unpack_from('<IQ', self.bytes, stream + 20)
        if not self.bytes[stream + 1] & 2:
            raise SystemExit(f'{path} has a chain already')
        clusters = list(range(first, first + -(-length // self.cluster)))
        if extra:
            more = self.take(extra)
            clusters += range(more, more + extra)
        for one, following in zip(clusters, clusters[1:] + [0xFFFFFFFF]):
            self.link(one, following)
        self.bytes[stream + 1] &= ~2
        self.mend(places)

    def add_secondary(self, path, kind, clusters=0):
        """Give a set one more entry, over what stands behind it: the folder's list is moved up."""
        places = self.find(path)
        parent = path.rpartition('/')[0]
        if parent:
            stream = self.find(parent)[1]
            where = (struct.unpack_from('<I', self.bytes, stream + 20)[0],
                     struct.unpack_from('<Q', self.bytes, stream + 24)[0], bool(self.bytes[stream + 1] & 2))
        else:
            where = (self.root, 0, False)
        every = list(self.entries(*where))
        at = every.index(places[-1]) + 1
        after = [bytes(self.bytes[one:one + 32]) for one in every[at:]]
        entry = bytearray(32)
        entry[0] = kind
        if clusters:
            entry[1] = 3
            struct.pack_into('<IQ', entry, 20, self.take(clusters), clusters * self.cluster)
        entry[2:18] = b'village choir id'
        free = every[-1] + 32
        if (free - self.heap * self.sector) % self.cluster == 0:
            raise SystemExit('no room in the folder')
        for one, content in zip(every[at:] + [free], [bytes(entry)] + after):
            self.bytes[one:one + 32] = content
        self.bytes[places[0] + 1] += 1
        self.mend(places + [(every[at:] + [free])[0]])

    def add_guid(self, guid):
        """A volume GUID after the root's last entry."""
        at = list(self.entries(self.root, 0, False))[-1] + 32
        self.bytes[at:at + 32] = bytes([0xA0, 0, 0, 0, 0, 0]) + guid + bytes(10)
        self.mend([at])
