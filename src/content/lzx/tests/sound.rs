//! What decodes, and that nothing panics.

use super::*;

#[test]
fn vectors_decode() {
    for (name, compressed, plain) in vectors() {
        assert_eq!(decoded(&compressed, plain.len()), Ok(plain), "{name}");
    }
}

/// Made by rule, decoded alike by 7-Zip (in a WIM archive) and by wimlib: the header of the second block ends where a
/// unit ends, and a whole unit is dropped.
#[test]
fn a_stored_block_whose_header_ends_with_a_unit() {
    let compressed = hex("002000110000100000000000ff0fffffffffffffffffffffffffffffffffffffffffffffffffffff
        ffffffff00f00000000000001100ff0ff7ff00b40000000000000400ff43ffff16941f0000000100
        00000100000001000000808182838485868788898a8b8c8d8e8f909192939495969798999a9b9c9d
        9e00");
    let plain: Vec<u8> = [0x41].into_iter().chain(0x80..=0x9E).collect();
    assert_eq!(decoded(&compressed, plain.len()), Ok(plain));
}

#[test]
fn stored_blocks_between_others() {
    let words = b"choir".map(Item::Literal);
    for number in [VERBATIM, ALIGNED] {
        for length in [0, 1, 2, 31, 32] {
            let stored: Vec<u8> = (100..100 + length).collect();
            let mut writer = Writer::new();
            writer.block(number, &words);
            writer.stored([3, 4, 5], &stored);
            writer.block(number, &[Item::Match { distance: 4, length: 3 }, Item::Match { distance: 5, length: 2 }]);
            let mut plain = [&b"choir"[..], &stored].concat();
            expand(&mut plain, &[Item::Match { distance: 4, length: 3 }, Item::Match { distance: 5, length: 2 }]);
            assert_eq!(decoded(&writer.end(), plain.len()), Ok(plain), "{number} {length}");
        }
    }
}

/// As in 7-Zip.
#[test]
fn the_last_padding_byte_may_be_missing() {
    let (_, compressed, plain) = &vectors()[1];
    assert_eq!(decoded(&compressed[..compressed.len() - 1], plain.len()).as_ref(), Ok(plain));
}

#[test]
fn empty_blocks_give_nothing() {
    let mut writer = Writer::new();
    for items in [&[][..], &[Item::Literal(1)], &[], &[Item::Literal(2)]] {
        writer.block(VERBATIM, items);
    }
    assert_eq!(decoded(&writer.end(), 2), Ok(vec![1, 2]));
}

/// The table in the reference values, 2.2, without an encoder around it, and with the targets of other chunk sizes.
#[test]
fn call_targets() {
    let undone = |text: &str| {
        let mut bytes = hex(text);
        undo_calls(&mut bytes);
        bytes
    };
    let mut translated = calls();
    for (at, bytes) in [(21, "14010000"), (41, "0a000000"), (81, "f6ffffff"), (190, "c2000000")] {
        translated[at..at + 4].copy_from_slice(&hex(bytes));
    }
    undo_calls(&mut translated);
    assert_eq!(translated, calls());
    assert_eq!(undone("e8 01000000 0000000000"), hex("e8 01000000 0000000000"), "10 bytes");
    assert_eq!(undone("00 e8 01000000 0000000000"), hex("00 e8 01000000 0000000000"), "11 bytes, call at 1");
    assert_eq!(undone("00 e8 01000000 000000000000"), hex("00 e8 00000000 000000000000"), "12 bytes, call at 1");
    assert_eq!(undone("00 e8 e9000000 00000000000000000000"), hex("00 e8 e8000000 00000000000000000000"), "seen once");
    assert_eq!(undone("00 e8 feffffff 000000000000"), hex("00 e8 feffffff 000000000000"), "-2 at 1");
    assert_eq!(undone("00 e8 ffffffff 000000000000"), hex("00 e8 ff1ab700 000000000000"), "-1 at 1");
    undo_calls(&mut []);
}

#[test]
fn the_whole_of_a_chunk() {
    let mut items = vec![Item::Literal(7), Item::Literal(8)];
    items.extend([Item::Match { distance: 2, length: 257 }; 127]);
    items.push(Item::Match { distance: 32000, length: 126 });
    items.push(Item::Literal(1));
    let mut plain = Vec::new();
    expand(&mut plain, &items);
    assert_eq!(plain.len(), USUAL_BLOCK);
    assert_eq!(decoded(&block(ALIGNED, &items), USUAL_BLOCK), Ok(plain));
}

#[test]
fn every_slot() {
    for number in [VERBATIM, ALIGNED] {
        let mut items = vec![Item::Literal(7)];
        let mut produced = 1_usize;
        for (base, extra) in SLOTS.into_iter().skip(3) {
            let (first, last) = (usize::from(base) - 2, usize::from(base) - 2 + (1 << extra) - 1);
            while produced < last {
                let length = (last - produced).clamp(2, 257) as u16;
                items.push(Item::Literal(produced as u8 & 0x7F));
                items.push(Item::Match { distance: produced, length });
                produced += usize::from(length) + 1;
            }
            if produced + 4 < MOST_BYTES {
                items.extend([first, last].map(|distance| Item::Match { distance, length: 2 }));
                produced += 4;
            }
        }
        let mut plain = Vec::new();
        expand(&mut plain, &items);
        assert_eq!(decoded(&block(number, &items), plain.len()), Ok(plain));
    }
}

#[test]
fn every_flipped_bit_stays_in_bounds() {
    let (mut noticed, mut flips) = (0, 0);
    for (_, compressed, plain) in vectors() {
        for bit in 0..compressed.len() * 8 {
            let mut flipped = compressed.clone();
            flipped[bit / 8] ^= 1 << (bit % 8);
            noticed += usize::from(decoded(&flipped, plain.len()).is_err());
            flips += 1;
        }
    }
    assert!(noticed > flips / 2, "{noticed} of {flips}");
}

/// Items whose matches lie within what is there before them: a block's type, and its items.
fn blocks() -> impl Strategy<Value = Vec<(u16, Vec<Item>)>> {
    let draws = prop::collection::vec((0_u8..0xE0, any::<prop::sample::Index>(), 2_u16..=257), 0..60);
    prop::collection::vec((VERBATIM..=UNCOMPRESSED, draws), 1..5).prop_map(|blocks| {
        let mut plain = Vec::new();
        let mut made = Vec::new();
        for (number, draws) in blocks {
            let mut items = Vec::new();
            for (byte, index, length) in draws {
                let item = if plain.is_empty() || byte < 0x60 || number == UNCOMPRESSED {
                    Item::Literal(byte)
                } else {
                    // Near ones meet the recent distances.
                    let reach = if byte < 0xA0 { plain.len().min(5) } else { plain.len() };
                    Item::Match { distance: index.index(reach) + 1, length }
                };
                expand(&mut plain, &[item]);
                items.push(item);
            }
            made.push((number, items));
        }
        made
    })
}

fn encoded(blocks: &[(u16, Vec<Item>)]) -> (Vec<u8>, Vec<u8>) {
    let (mut writer, mut plain) = (Writer::new(), Vec::new());
    for (number, items) in blocks {
        let start = plain.len();
        expand(&mut plain, items);
        if *number == UNCOMPRESSED {
            writer.stored([1, 2, 3], &plain[start..]);
        } else if plain.len() > start {
            writer.block(*number, items);
        }
    }
    // A block of size 0 at the end isn't looked at; one that is stored leaves bytes.
    (writer.end(), plain)
}

proptest! {
    #[test]
    fn what_was_encoded_is_decoded(mut blocks in blocks()) {
        blocks.push((VERBATIM, vec![Item::Literal(1)]));
        let (compressed, plain) = encoded(&blocks);
        prop_assume!(plain.len() <= MOST_BYTES);
        prop_assert_eq!(decoded(&compressed, plain.len()), Ok(plain));
    }

    #[test]
    fn damaged_chunks_never_panic(
        blocks in blocks(),
        damage in prop::collection::vec((any::<prop::sample::Index>(), any::<u8>()), 1..4),
    ) {
        let (mut compressed, plain) = encoded(&blocks);
        for (index, byte) in damage {
            if !compressed.is_empty() {
                let at = index.index(compressed.len());
                compressed[at] = byte;
            }
        }
        let _ = decoded(&compressed, plain.len());
    }

    #[test]
    fn random_bytes_never_panic(bytes in prop::collection::vec(any::<u8>(), 0..600), size in 0_usize..40_000) {
        let _ = decoded(&bytes, size);
    }

    /// Behind sound codes, random bytes reach matches of every form.
    #[test]
    fn random_bodies_never_panic(
        number in VERBATIM..=ALIGNED,
        body in prop::collection::vec(any::<u8>(), 0..4096),
        size in 1_usize..=32_768,
    ) {
        let mut writer = Writer::new();
        writer.header(number, size);
        writer.codes();
        let _ = decoded(&[writer.end(), body].concat(), size);
    }

    #[test]
    fn call_targets_never_panic(mut bytes in prop::collection::vec(prop_oneof![Just(0xE8_u8), any::<u8>()], 0..300)) {
        undo_calls(&mut bytes);
    }
}
