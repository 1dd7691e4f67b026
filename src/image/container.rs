//! Files that hold an image but are not one: recognised at open, so that nobody reads "no table found" for an hour.

use super::Image;
use crate::bytes::{slice, to_u64};
use crate::error::Result;

/// A recognised container and what to do about it.
pub(super) struct Container {
    pub(super) what: &'static str,
    pub(super) next: &'static str,
}

struct Signature {
    offset: usize,
    magic: &'static [u8],
    container: Container,
}

const UNPACK: &str = "unpack it to a raw image first (it needs the room of the whole drive)";
const CONVERT: &str = "convert it to a raw image first, for example with `qemu-img convert -O raw`";

/// Opening bytes of compressed and virtual-disk files.
///
/// Sources: gzip RFC 1952 2.3.1; bzip2 format notes (from memory); xz file format 1.1.0, 2.1.1.1 (from memory);
/// Zstandard RFC 8878 3.1.1; 7z format notes (from memory); ZIP APPNOTE 4.3.7; qcow2 "The qcow2 image format", Header;
/// VHD specification 1.0, Hard Disk Footer; [MS-VHDX] 2.2.1; VMDK virtual disk format 1.1 (from memory).
const SIGNATURES: &[Signature] = &[
    Signature {
        offset: 0,
        magic: &[0x1f, 0x8b, 0x08],
        container: Container { what: "a gzip-compressed file", next: UNPACK },
    },
    Signature { offset: 0, magic: b"BZh", container: Container { what: "a bzip2-compressed file", next: UNPACK } },
    Signature {
        offset: 0,
        magic: &[0xfd, b'7', b'z', b'X', b'Z', 0],
        container: Container { what: "an xz-compressed file", next: UNPACK },
    },
    Signature {
        offset: 0,
        magic: &[0x28, 0xb5, 0x2f, 0xfd],
        container: Container { what: "a zstd-compressed file", next: UNPACK },
    },
    Signature {
        offset: 0,
        magic: &[b'7', b'z', 0xbc, 0xaf, 0x27, 0x1c],
        container: Container { what: "a 7z archive", next: UNPACK },
    },
    Signature { offset: 0, magic: b"PK\x03\x04", container: Container { what: "a ZIP archive", next: UNPACK } },
    Signature { offset: 0, magic: b"QFI\xfb", container: Container { what: "a qcow2 virtual disk", next: CONVERT } },
    Signature { offset: 0, magic: b"vhdxfile", container: Container { what: "a VHDX virtual disk", next: CONVERT } },
    Signature {
        offset: 0,
        magic: b"conectix",
        container: Container { what: "a dynamic VHD virtual disk", next: CONVERT },
    },
    Signature { offset: 0, magic: b"KDMV", container: Container { what: "a VMDK virtual disk", next: CONVERT } },
    Signature {
        offset: 0,
        magic: b"# Disk DescriptorFile",
        container: Container {
            what: "the description of a VMDK virtual disk, not the disk",
            next: "open the `-flat.vmdk` beside it, or convert with `qemu-img convert -O raw`",
        },
    },
];

/// The length of the footer that ends a fixed VHD (VHD specification 1.0, Hard Disk Footer).
const VHD_FOOTER: u64 = 512;

/// Looks at the image's first and last bytes.
pub(super) fn recognise(image: &dyn Image) -> Result<Option<Container>> {
    let mut head = vec![0; 64.min(usize::try_from(image.length()).unwrap_or(64))];
    image.read_at(0, &mut head)?;
    for Signature { offset, magic, container: Container { what, next } } in SIGNATURES {
        if slice(&head, *offset, magic.len()) == Some(*magic) {
            return Ok(Some(Container { what, next }));
        }
    }
    if let Some(offset) = image.length().checked_sub(VHD_FOOTER).filter(|offset| *offset >= to_u64(head.len())) {
        let mut cookie = [0; 8];
        image.read_at(offset, &mut cookie)?;
        if &cookie == b"conectix" {
            return Ok(Some(Container {
                what: "a fixed VHD virtual disk (a raw image with a footer of 512 bytes)",
                next: CONVERT,
            }));
        }
    }
    Ok(None)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::image::MemoryImage;

    #[test]
    fn each_signature_is_recognised_and_a_boot_sector_is_not() {
        for signature in SIGNATURES {
            let mut bytes = vec![0; 1024];
            bytes[signature.offset..signature.offset + signature.magic.len()].copy_from_slice(signature.magic);
            let found = recognise(&MemoryImage::new(bytes)).unwrap().unwrap();
            assert_eq!(found.what, signature.container.what);
        }
        let mut boot = vec![0; 4096];
        boot[..11].copy_from_slice(b"\xeb\x52\x90NTFS    ");
        assert!(recognise(&MemoryImage::new(boot)).unwrap().is_none());
        assert!(recognise(&MemoryImage::new(vec![1])).unwrap().is_none());
    }

    #[test]
    fn a_fixed_vhd_is_known_by_its_footer() {
        let mut bytes = vec![0; 2048];
        bytes[1536..1544].copy_from_slice(b"conectix");
        assert!(recognise(&MemoryImage::new(bytes)).unwrap().is_some());
    }
}
