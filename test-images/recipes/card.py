"""A camera's memory card: what the choir's concerts left on it."""
import os

from common import HERE, WORK, blank, numbered, pack, rfc3339, rng, run, sha256, text, write_truth
from demo_files import picture

START = 1 << 20                        # the card's only partition


def card():
    """MBR with one FAT16 volume; two folders of a camera with numbers that were deleted, and a phone's."""
    draw, files = rng('card'), {}
    taken = 1_236_000_000
    for folder, numbers, deleted in (('100CHOIR', range(1, 25), {4, 5, 6, 17}), ('101CHOIR', range(25, 37), {30})):
        for number in numbers:
            taken += draw.randint(40, 90_000) // 2 * 2
            if number == 9:
                files[f'/DCIM/{folder}/MVI_0009.AVI'] = numbered(180_000, 'film'), taken, False
                files[f'/DCIM/{folder}/MVI_0009.THM'] = picture('card film', 'jpg', 40, 30), taken, False
                continue
            name = f'/DCIM/{folder}/IMG_{number:04}'
            files[name + '.JPG'] = picture(f'card {number}', 'jpg', 320, 240), taken, number in deleted
            if number % 8 == 0:
                files[name + '.CR2'] = numbered(60_000, f'raw{number}'), taken, number in deleted
    for number in range(3):
        taken += draw.randint(40, 90_000) // 2 * 2
        files[f'/DCIM/Camera/rehearsal {number + 1}.jpg'] = picture(f'phone {number}', 'jpg', 200, 150), taken, False
    files['/MISC/read me.txt'] = text(700, 'card'), 1_236_000_000, False
    disk = blank('card.img', 16 << 20)
    run('sfdisk', '-q', disk, input=b'label: dos\nlabel-id: 0xCA3DCA3D\nstart=2048, type=6\n')
    run('mkfs.fat', '-F', '16', '-s', '4', '-n', 'CHOIRCAM', '-i', 'CA3D0001', '--invariant', '--offset', '2048', disk,
        str((os.path.getsize(disk) - START) >> 10))
    at = f'{disk}@@{START}'
    folders = sorted({path[:end] for path in files for end, c in enumerate(path) if c == '/' and end})
    for folder in folders:
        run('mmd', '-i', at, '::' + folder)
    for path, (data, modified, _) in files.items():
        source = os.path.join(WORK, 'card.source')
        with open(source, 'wb') as file:
            file.write(data)
        os.utime(source, (modified, modified))
        run('env', 'NO_FAKE_STAT=1', 'mcopy', '-m', '-i', at, source, '::' + path)
        os.unlink(source)
    for path, (_, _, deleted) in files.items():
        if deleted:
            run('mdel', '-i', at, '::' + path)
    rows = [('folder', f'1:{folder}', '', '', '') for folder in folders]
    for path, (data, modified, deleted) in files.items():
        if not deleted:                # the card keeps local time: no zone
            rows.append(('file', f'1:{path}', len(data), sha256(data), f'modified={rfc3339(modified)[:-1]}'))
    write_truth('card', rows)
    with open(os.path.join(HERE, 'card.table.json'), 'wb') as file:
        file.write(run('sfdisk', '--json', 'card.img', cwd=WORK))
    pack('card', disk)


RECIPES = {'card': card}
