"""The demo: the village choir's old computer, an MBR disk with a start and a main volume, and four holes."""
import calendar
import os
import re
import struct

import demo_files as files
from common import (HERE, Tree, blank, mkntfs, mounted, pack, rng, run, text, write_truth)

SECTOR = 512
START = (2048, 12 << 20)               # first sector and bytes of each volume
MAIN = (2048 + (12 << 20) // SECTOR, 80 << 20)
DISK = (1 << 20) + START[1] + MAIN[1] + (3 << 20)
SID = 'S-1-5-21-1004336348-1177238915-682003330-1001'
CLUSTER = 4096


def start_tree():
    tree = Tree()
    tree.folder('/Boot')
    tree.file('/Boot/BCD', b'regf' + files.noise(3000, 'bcd') + bytes(1092))
    tree.file('/Boot/BOOTSTAT.DAT', bytes([1, 0, 0, 0]) + bytes(2044))
    for language in ('de-DE', 'en-GB', 'sv-SE'):
        tree.folder(f'/Boot/{language}')
        tree.file(f'/Boot/{language}/bootmgr.exe.mui', files.program('mui ' + language, 1500))
    tree.file('/bootmgr', files.noise(6000, 'bootmgr'))
    tree.file('/BOOTSECT.BAK', files.noise(510, 'bootsect') + b'\x55\xaa')
    tree.folder('/System Volume Information')
    tree.times('demo start', 1_250_000_000, 1_315_000_000)
    return tree


def windows(tree):
    for path in ('/Windows', '/Windows/System32', '/Windows/System32/config', '/Windows/System32/drivers',
                 '/Windows/System32/drivers/etc', '/Windows/Fonts', '/Windows/Temp', '/Program Files',
                 '/Program Files/Notation Desk', '/Program Files/Notation Desk/Samples', '/Program Files/Letter Writer',
                 '/ProgramData', '/ProgramData/Notation Desk', '/PerfLogs', '/System Volume Information'):
        tree.folder(path)
    for name in ('userinit.exe', 'logon.scr', 'hall32.dll', 'score32.dll', 'lamp.cpl', 'printwin.dll'):
        tree.file('/Windows/System32/' + name, files.program(name))
    for name in ('SOFTWARE', 'SYSTEM', 'SAM', 'SECURITY', 'DEFAULT'):
        tree.file('/Windows/System32/config/' + name, b'regf' + files.noise(900, name) + bytes(3192))
    tree.file('/Windows/System32/drivers/etc/hosts', b'127.0.0.1 localhost\r\n')
    tree.file('/Windows/System32/drivers/keys.sys', files.program('keys.sys'))
    tree.file('/Windows/win.ini', b'; for 16-bit app support\r\n[fonts]\r\n[extensions]\r\n')
    tree.file('/Windows/explorer.exe', files.program('explorer', 2600))
    tree.file('/Windows/Fonts/village.fon', files.noise(1200, 'fon'))
    tree.file('/Program Files/Notation Desk/notation.exe', files.program('notation', 2400))
    tree.file('/Program Files/Notation Desk/readme.txt', text(1500, 'notation'))
    for song in files.SONGS[:4]:
        tree.file(f'/Program Files/Notation Desk/Samples/{song}.mid', files.midi('sample ' + song))
    tree.file('/Program Files/Letter Writer/letter.exe', files.program('letter', 2000))
    tree.file('/Program Files/Letter Writer/licence.txt', text(900, 'licence'))
    tree.file('/ProgramData/Notation Desk/settings.ini', b'[page]\r\npaper=A4\r\nstaves=4\r\n')
    tree.file('/pagefile.sys', files.noise(4096, 'page') + bytes(61440))


def choir(tree):
    home = '/Users/Choir'
    for path in ('/Users', '/Users/Public', '/Users/Public/Documents', '/Users/Public/Pictures', '/Users/Default',
                 '/Users/Default/Desktop', '/Users/Default/Documents', home, *(f'{home}/{name}' for name in (
                     'Desktop', 'Documents', 'Documents/Letters', 'Documents/Minutes', 'Documents/Minutes/2008',
                     'Documents/Minutes/2009', 'Documents/Minutes/2010', 'Documents/Money', 'Pictures',
                     'Pictures/Summer party 2008', 'Pictures/Concert 2009', 'Pictures/Outing 2010', 'Music',
                     'Music/Practice tunes', 'Music/Recordings', 'Videos', 'Downloads', 'Favorites', 'AppData', 'AppData/Local',
                     'AppData/Local/Temp', 'AppData/Roaming', 'AppData/Roaming/Letter Writer'))):
        tree.folder(path)
    tree.file('/Users/Public/desktop.ini', b'[.ShellClassInfo]\r\n')
    tree.file('/Users/Public/Documents/Hall rules.txt', text(1300, 'hall'))
    tree.file('/Users/Public/Pictures/Noticeboard.png', files.picture('noticeboard', 'png'))
    tree.file('/Users/Default/NTUSER.DAT', b'regf' + files.noise(500, 'default') + bytes(3592))
    tree.file(home + '/NTUSER.DAT', b'regf' + files.noise(1500, 'ntuser') + bytes(6688))
    tree.file(home + '/Documents/Member list.csv', files.members('members'))
    tree.hardlink(home + '/Desktop/Member list.csv', home + '/Documents/Member list.csv')
    tree.file(home + '/Desktop/READ THIS FIRST Bertil.txt', b'Please do NOT tidy this desktop.\r\n')
    tree.file(home + '/Desktop/Programme draft.odt', files.odt('Programme draft'))
    months = ['January', 'February', 'March', 'April', 'May', 'June', 'September', 'October', 'November', 'December']
    for year in (2008, 2009, 2010):
        for number, month in enumerate(months, 1):
            title = f'Minutes {year}-{number:02} {month}'
            when = 1_199_800_000 + (year - 2008) * 31_536_000 + number * 2_600_000
            tree.file(f'{home}/Documents/Minutes/{year}/{title}.txt', files.minutes(title), created=when, modified=when + 9000)
    tree.file(home + '/Documents/Minutes/2010/Annual report 2010.odt', files.odt(
        'Annual report 2010', 30, files.picture('report', 'jpg', 240, 180, 92)))
    for at, subject in enumerate(['the hall', 'the organ loft key', 'the bus', 'chairs', 'heating', 'the baker', 'new folders',
                                  'the piano tuner', 'autumn concert', 'lost umbrella', 'candles', 'the ferry']):
        tree.file(f'{home}/Documents/Letters/Letter about {subject}.rtf', files.letter(subject))
        if at % 3 == 0:
            tree.file(f'{home}/Documents/Letters/Reply about {subject}.odt', files.odt('Reply about ' + subject))
    for year in range(2006, 2012):
        tree.file(f'{home}/Documents/Money/Cash book {year}.csv', files.members(f'cash {year}', 20))
        tree.file(f'{home}/Documents/Money/Coffee fund {year}.txt', text(400, f'coffee {year}'))
    for folder, count in (('Summer party 2008', 22), ('Concert 2009', 30), ('Outing 2010', 18)):
        for at in range(1, count + 1):
            large = at in (7, 12)                      # two a folder are as large as a small camera's
            name = f'{home}/Pictures/{folder}/IMG_{at + len(folder) * 40:04}.jpg'
            tree.file(name, files.picture(name, 'jpg', *((320, 240, 88) if large else (160, 120, 55))))
    for name in ('Poster spring', 'Poster autumn', 'Logo draft', 'Logo draft 2', 'Map to the hall'):
        tree.file(f'{home}/Pictures/{name}.png', files.picture(name, 'png'))
    for song in files.SONGS:
        for voice in files.VOICES:
            tree.file(f'{home}/Music/Practice tunes/{song} ({voice}).mid', files.midi(f'{song} {voice}'))
    for at in range(1, 7):
        tree.file(f'{home}/Music/Recordings/Rehearsal {at:02}.wav', files.wav(f'rehearsal {at}'))
    tree.file(home + '/Videos/Where are the videos.txt', b'On the other computer. Ask Silvan.\r\n')
    tree.file(home + '/Downloads/bus timetable.csv', b'stop,time\r\nhall,19:12\r\nmill,19:20\r\nferry,19:31\r\n')
    tree.file(home + '/Downloads/songs from Orla.zip', files.archive(
        [(f'{song}.mid', files.midi('orla ' + song)) for song in files.SONGS[5:]]))
    for at in range(8):
        tree.file(f'{home}/AppData/Local/Temp/~lw{at:04x}.tmp', files.noise(60 + at * 90, f'temp {at}') if at % 3 else b'')
    tree.file(home + '/AppData/Roaming/Letter Writer/recent.ini', b'[recent]\r\n1=Letter about the ferry.rtf\r\n')


def hanna(tree):
    home = '/Users/Hanna'
    for path in (home, home + '/Desktop', home + '/Documents', home + '/Documents/Recipes', home + '/Pictures',
                 home + '/Pictures/Garden', home + '/AppData', home + '/AppData/Roaming'):
        tree.folder(path)
    tree.file(home + '/NTUSER.DAT', b'regf' + files.noise(700, 'hanna') + bytes(3392))
    for name in ('Plum cake', 'Rhubarb soup', 'Rye bread', 'Pickled beans', 'Nettle tea', 'Potato pancakes'):
        tree.file(f'{home}/Documents/Recipes/{name}.txt', text(700 + len(name) * 60, name))
    tree.file(home + '/Documents/Letter to my sister.rtf', files.letter('sister'))
    tree.file(home + '/Documents/Diary 2009.odt', files.odt('Diary 2009', 25))
    for at in range(1, 15):
        tree.file(f'{home}/Pictures/Garden/garden {at:02}.jpg', files.picture(f'garden {at}', 'jpg'))
    tree.file(home + '/Desktop/Tickets sold.csv', files.members('tickets', 12))


def scores(tree):
    tree.folder('/Scores 2009')
    for at, song in enumerate(files.SONGS, 1):
        folder = f'/Scores 2009/{at:02} {song}'
        tree.folder(folder)
        tree.file(f'{folder}/{song} - all voices.mid', files.midi('all ' + song, 60))
        tree.file(f'{folder}/{song} - words.txt', text(600 + at * 37, 'words ' + song))
        tree.file(f'{folder}/{song} - page 1.png', files.picture('score ' + song, 'png'))
        tree.file(f'{folder}/{song} - remarks.rtf', files.letter('remarks ' + song))
    tree.hardlink('/Scores 2009/Harvest Round for the concert.mid',
                  '/Scores 2009/06 Harvest Round/Harvest Round - all voices.mid')


def recycled(tree):
    """One deleted picture, as Windows 7 keeps it: $I names it and says when, $R is it."""
    bin_ = f'/$Recycle.Bin/{SID}'
    tree.folder('/$Recycle.Bin')
    tree.folder(bin_)
    data = files.picture('blurred', 'jpg')
    name = 'C:\\Users\\Choir\\Pictures\\Concert 2009\\blurred.jpg'
    tree.file(bin_ + '/$RK7Q2MX.jpg', data)
    tree.file(bin_ + '/$IK7Q2MX.jpg', struct.pack('<QQQ', 1, len(data), 128_986_128_000_000_000)
              + name.encode('utf-16le').ljust(520, b'\0'))
    tree.file(bin_ + '/desktop.ini', b'[.ShellClassInfo]\r\n')


def date_by_name(tree):
    """A file that names a year was written in it, so far as it has no date yet."""
    draw = rng('demo years')
    for one in tree.objects:
        found = re.search(r'20(0[6-9]|1[01])(?!.*20[01])', one[1])
        if found and one[5] is None:
            new_year = calendar.timegm((int(found[0]), 1, 1, 0, 0, 0))
            one[5] = new_year + draw.randint(3_000_000, 30_000_000)
            one[4] = one[5] - draw.randint(0, 2_000_000)


def main_tree():
    tree = Tree()
    for part in (windows, choir, hanna, scores, recycled):
        part(tree)
    date_by_name(tree)
    tree.times('demo')
    return tree


def old_minutes(name):
    """A long text: compresses well, as an archive of minutes does."""
    return b'\r\n'.join(files.minutes(f'Minutes {year}, meeting {at}', 12) for year in range(2006, 2008) for at in range(1, int(name) + 1))


def compressed(mount, tree):
    """A folder with Windows' `compress contents` ticked: set the attribute first, then write into it."""
    folder, part = '/Users/Choir/Documents/Old minutes', Tree()
    os.mkdir(mount + folder)
    os.setxattr(mount + folder, 'system.ntfs_attrib_be', struct.pack('>I', 0x810))
    part.folder(folder, 'compressed')
    for count in (5, 9, 20, 40):
        part.file(f'{folder}/Minutes of {count} meetings.txt', old_minutes(count), 'compressed')
    part.times('old minutes', 1_150_000_000, 1_230_000_000)
    for one in part.objects[1:]:
        with open(mount + one[1], 'wb') as file:
            file.write(one[2])
    part.stamp(mount)
    tree.objects += part.objects


def runs(image, path):
    """The clusters of a file's content as ntfsinfo tells them: (first in the file, first on the disk, count)."""
    out = run('ntfsinfo', '-f', '-v', '-F', path, image).decode(errors='replace')
    data = out[out.index('Dumping attribute $DATA'):]
    return [tuple(int(word, 16) for word in found) for found in
            re.findall(r'^\s*0x([0-9a-f]+)\s+0x([0-9a-f]+)\s+0x([0-9a-f]+)\s*$', data, re.M)]


def free_clusters(image, count):
    """A stretch of clusters which the volume's own bitmap calls free."""
    bitmap = run('ntfscat', '-f', '-i', '6', image)
    free = [not bitmap[at // 8] >> at % 8 & 1 for at in range(MAIN[1] // CLUSTER - 1)]
    streak = 0
    for at, one in enumerate(free):
        streak = streak + 1 if one else 0
        if streak == count + 64:
            return at - count - 31                     # well inside it
    raise SystemExit('no free stretch')


def choose_holes(image, tree):
    """(start, length) on the disk, and for each hit file the hole inside the file."""
    base, holes, hits = MAIN[0] * SECTOR, [], {}
    home = '/Users/Choir/'
    wanted = [(home + 'Pictures/Concert 2009/IMG_0487.jpg', 1, 1),       # path, cluster of the file, clusters
              (home + 'Pictures/Outing 2010/IMG_0447.jpg', -2, 2),       # its last two, so to the file's end
              (home + 'Documents/Minutes/2010/Annual report 2010.odt', 2, 1)]
    sizes = {one[1]: len(one[2]) for one in tree.objects if one[0] == 'file'}
    for path, first, count in wanted:
        clusters = [lcn + at for _, lcn, length in runs(image, path) for at in range(length)]
        first %= len(clusters)
        lcns = clusters[first:first + count]
        assert len(lcns) == count and lcns[-1] - lcns[0] == count - 1, (path, clusters)
        holes.append((base + lcns[0] * CLUSTER, count * CLUSTER))
        start = first * CLUSTER
        hits[path] = start, min(sizes[path] - start, count * CLUSTER)
    holes.append((base + free_clusters(image, 16) * CLUSTER, 16 * CLUSTER))
    return sorted(holes), hits


def write_map(holes):
    rows, at = [], 0
    for start, length in holes + [(DISK, 0)]:
        rows.append((at, start - at, 'read'))
        if length:
            rows.append((start, length, 'unread'))
        at = start + length
    with open(os.path.join(HERE, 'demo.map.csv'), 'w', newline='\n') as out:
        out.write(f'# handback sector map 1\n# image-length: {DISK}\n# basis: full\nstart,length,state\n')
        out.writelines(f'{start},{length},{state}\n' for start, length, state in rows)


def demo():
    first, second = start_tree(), main_tree()
    start = mkntfs('demo.start.img', START[1], '-c', '4096', label='System Reserved', serial=0x5AFE1234BEEF0001)
    with mounted(start) as mount:
        first.write(mount)
    main = mkntfs('demo.main.img', MAIN[1], '-c', '4096', label='Choir', serial=0x5AFE1234BEEF0002)
    with mounted(main) as mount:
        second.write(mount)
        compressed(mount, second)
        second.stamp(mount)                            # the folders once more: writing into them changed them
    holes, hits = choose_holes(main, second)
    for path, (at, length) in hits.items():
        second.note(path, f'hole {at} {length}')

    disk = blank('demo.img', DISK)
    run('sfdisk', '-q', disk, input=(
        f'label: dos\nlabel-id: 0x0c401209\nstart={START[0]}, size={START[1] // SECTOR}, type=7, bootable\n'
        f'start={MAIN[0]}, size={MAIN[1] // SECTOR}, type=7\n').encode())
    for volume, (sector, _) in ((start, START), (main, MAIN)):
        run('dd', f'if={volume}', f'of={disk}', 'bs=1M', f'seek={sector * SECTOR >> 20}', 'conv=notrunc,sparse')
        os.unlink(volume)
    with open(disk, 'r+b') as image:
        for volume, hidden in ((START, START[0]), (MAIN, MAIN[0])):      # where the volume starts, in both boot sectors
            for sector in (volume[0], volume[0] + volume[1] // SECTOR - 1):
                image.seek(sector * SECTOR + 0x1C)
                image.write(struct.pack('<I', hidden))
        for at, length in holes:
            image.seek(at)
            image.write(bytes(length))
    write_map(holes)
    write_truth('demo', [*first.lines(1), *second.lines(2)])
    pack('demo', disk)


RECIPES = {'demo': demo}
