"""The invented files of the village choir's old computer: letters, minutes, lists, pictures, sounds."""
import io
import os
import struct
import zipfile

from common import noise, rng, run, work

SONGS = ['Evening over the Mill', 'Three Lanterns', 'The Ferryman Waits', 'Snow on the Lime Tree', 'Bread and Candles',
         'Harvest Round', 'Where the Heron Stands', 'Lullaby for a Clock', 'The Long Hedge', 'Morning at the Well']
MEMBERS = ['Agda', 'Bertil', 'Cleo', 'Dorit', 'Edwin', 'Fenna', 'Gisli', 'Hanna', 'Ivo', 'Jorun', 'Kasimir', 'Linnea',
           'Mirko', 'Nadja', 'Orla', 'Pavel', 'Quirin', 'Runa', 'Silvan', 'Tilda', 'Ulla', 'Viggo', 'Wanda', 'Yrsa']
VOICES = ['soprano', 'alto', 'tenor', 'bass']
POINTS = ['The heating in the hall was discussed. It knocks during the quiet passages.',
          'The new folders have arrived; {a} hands them out next week.',
          '{a} asks for somebody to share the drive to the autumn concert.',
          'We sing "{s}" again, slower. The tenors would like it on record that they were right.',
          'The coffee fund holds {n} coins and one button.',
          '{a} and {b} look after the chairs this month.',
          'Nobody has seen the key to the organ loft since the summer party.',
          'It was agreed to rehearse "{s}" without the book from now on.',
          'The piano is tuned in the week after next. {a} lets the tuner in.',
          '{a} brings cake. {b} brings plates. Last time it was the other way round and nobody brought either.',
          '{n} visitors came to the concert, not counting the dog.',
          'The window behind the altos is still draughty. {b} has a blanket.']


def sentence(draw):
    return draw.choice(POINTS).format(a=draw.choice(MEMBERS), b=draw.choice(MEMBERS), s=draw.choice(SONGS),
                                      n=draw.randint(11, 160))


def minutes(name, points=8):
    draw = rng(name)
    lines = [name, '=' * len(name), '', 'Present: ' + ', '.join(sorted(draw.sample(MEMBERS, 9))), '']
    for number in range(1, points + 1):
        lines += [f'{number}. {sentence(draw)}', f'   {sentence(draw)}', '']
    return '\r\n'.join(lines + ['Next rehearsal on Thursday at half past seven.', '']).encode('cp1252')


def letter(name):
    draw = rng(name)
    body = ''.join('\\par ' + sentence(draw) + '\r\n' for _ in range(draw.randint(4, 9)))
    return ('{\\rtf1\\ansi\\deff0{\\fonttbl{\\f0 Serif;}}\\f0\\fs24\r\n' + f'Dear {draw.choice(MEMBERS)},\\par\r\n'
            + body + '\\par With kind regards,\\par The village choir\r\n}').encode('ascii')


def members(name, count=24):
    draw = rng(name)
    lines = ['name,voice,telephone,folder,paid']
    for one in MEMBERS[:count]:
        lines.append(f'{one},{draw.choice(VOICES)},555-01{draw.randint(0, 99):02},{draw.randint(1, 60)},'
                     f'{draw.choice(["yes", "no", "half"])}')
    return ('\r\n'.join(lines) + '\r\n').encode()


def archive(members_, stored=()):
    """A zip file whose bytes depend on nothing but its members."""
    out = io.BytesIO()
    with zipfile.ZipFile(out, 'w') as target:
        for name, data in members_:
            entry = zipfile.ZipInfo(name, (2009, 3, 14, 15, 9, 26))
            entry.compress_type = zipfile.ZIP_STORED if name in stored else zipfile.ZIP_DEFLATED
            target.writestr(entry, data)
    return out.getvalue()


def odt(name, paragraphs=6, picture=None):
    """A word-processor document in the open format, with a picture in it if one is given."""
    draw = rng(name)
    space = 'urn:oasis:names:tc:opendocument:xmlns:'
    body = f'<text:h>{name}</text:h>' + ''.join(f'<text:p>{sentence(draw)}</text:p>' for _ in range(paragraphs))
    content = (f'<?xml version="1.0" encoding="UTF-8"?><office:document-content xmlns:office="{space}office:1.0" '
               f'xmlns:text="{space}text:1.0" office:version="1.2"><office:body><office:text>{body}</office:text>'
               '</office:body></office:document-content>')
    kind = 'application/vnd.oasis.opendocument.text'
    manifest = (f'<?xml version="1.0" encoding="UTF-8"?><m:manifest xmlns:m="{space}manifest:1.0">'
                f'<m:file-entry m:full-path="/" m:media-type="{kind}"/>'
                '<m:file-entry m:full-path="content.xml" m:media-type="text/xml"/></m:manifest>')
    parts = [('mimetype', kind), ('META-INF/manifest.xml', manifest), ('content.xml', content)]
    if picture:
        parts.append(('Pictures/1.jpg', picture))
    return archive(parts, ('mimetype', 'Pictures/1.jpg'))


def picture(name, kind, width=160, height=120, quality=55):
    """A drawn scene: a sky, hills, a house or a row of singers; each name gives another."""
    draw = rng('picture ' + name)
    colour = lambda low, high: '#' + ''.join(f'{draw.randint(low, high):02x}' for _ in range(3))
    steps = ['-size', f'{width}x{height}', f'gradient:{colour(140, 255)}-{colour(60, 200)}']
    for _ in range(2):
        x, y = draw.randint(0, width), draw.randint(height * 5 // 8, height * 3 // 4)
        steps += ['-fill', colour(20, 130), '-draw', f'ellipse {x},{height} {draw.randint(60, 160)},{height - y} 0,360']
    if draw.random() < 0.5:
        x, y = draw.randint(10, width - 60), draw.randint(height // 2, height * 2 // 3)
        steps += ['-fill', colour(120, 240), '-draw', f'rectangle {x},{y} {x + 40},{y + 28}',
                  '-fill', colour(80, 160), '-draw', f'polygon {x - 5},{y} {x + 45},{y} {x + 20},{y - 22}']
    else:
        for at in range(draw.randint(3, 8)):
            x, y = 18 + at * 17, height - 40 + draw.randint(-4, 4)
            steps += ['-fill', colour(30, 200), '-draw', f'ellipse {x},{y + 26} 8,20 0,360',
                      '-fill', colour(150, 240), '-draw', f'circle {x},{y} {x + 6},{y}']
    if kind == 'jpg' and quality > 80:                 # grain, as a camera's picture has: makes it larger
        steps += ['-seed', str(draw.randint(1, 9999)), '+noise', 'Gaussian']
    steps += ['-depth', '8', '-strip', '-define', 'png:exclude-chunks=date,time']
    to = work('demo.picture.' + kind)
    run('convert', *steps, *(['-quality', str(quality)] if kind == 'jpg' else ['-colors', '24']), to)
    with open(to, 'rb') as file:
        data = file.read()
    os.unlink(to)
    return data


def midi(name, notes=24):
    """A tune of our own making, one track."""
    draw, track, pitch = rng(name), b'\0\xc0\x13', 60
    for _ in range(notes):
        pitch = min(79, max(52, pitch + draw.choice([-4, -2, -1, 1, 2, 3, 5])))
        track += bytes([0, 0x90, pitch, 80, draw.choice([48, 48, 96]), 0x80, pitch, 0])
    track += b'\0\xff\x2f\0'
    return b'MThd' + struct.pack('>IHHH', 6, 0, 1, 96) + b'MTrk' + struct.pack('>I', len(track)) + track


def wav(name, seconds=0.4):
    """A triangle wave on three pitches, 8 kHz, 8 bits."""
    draw, samples, rate = rng(name), bytearray(), 8000
    for period in draw.sample(range(18, 44, 2), 3):
        for at in range(int(rate * seconds / 3)):
            phase = at % period
            samples.append(128 + (phase if phase < period // 2 else period - phase) * 90 // period)
    samples += bytes([128] * (len(samples) % 2))
    return (b'RIFF' + struct.pack('<I', 36 + len(samples)) + b'WAVEfmt ' + struct.pack('<IHHIIHH', 16, 1, 1, rate, rate, 1, 8)
            + b'data' + struct.pack('<I', len(samples)) + samples)


def program(name, size=1800):
    """Something that looks like a program from afar: an MZ header, a few strings, noise."""
    head = b'MZ\x90\0\3\0\0\0\4\0\0\0\xff\xff\0\0'.ljust(60, b'\0') + struct.pack('<I', 128)
    body = head.ljust(128, b'\0') + b'PE\0\0L\1' + name.encode() + b'\0This is an invented file of a test image.\0'
    return body + noise(max(0, size - len(body) - 500), name) + bytes(500)
