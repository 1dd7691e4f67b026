//! What the workshop keeps, and how a handover is proven.

use std::ffi::OsString;
use std::path::{Path, PathBuf};

use clap::Args;
use enumset::EnumSet;
use sha2::{Digest, Sha256};

use super::{Context, image_digest};
use crate::error::{Error, Result};
use crate::handover::{self, Algorithm, Record, SigningKey};
use crate::image::Image;

/// What is added to the image's name, without its last extension.
const BESIDE: &str = " handback records";

#[derive(Debug, Args)]
pub(super) struct RecordArgs {
    /// Compute the SHA-256 of the whole image for the records, and keep it beside the image (`disk.img.sha256`)
    #[arg(long)]
    hash_image: bool,
    /// A further checksum of every file beside SHA-256: `sha512`, `blake3` or `md5`; repeat it for several
    #[arg(long, value_name = "KIND", value_parser = also)]
    also: Vec<Algorithm>,
    /// The folder for the workshop's own copy of the lists, the job and the report [default: `disk handback records` beside
    /// `disk.img`]
    #[arg(long, value_name = "FOLDER", conflicts_with = "no_record")]
    record: Option<PathBuf>,
    /// Keep no copy of the lists for the workshop
    #[arg(long)]
    no_record: bool,
    /// Sign the handover's lists with this secret key: OpenSSH's, of the kind ssh-ed25519, without passphrase
    #[arg(long, value_name = "KEYFILE")]
    sign: Option<PathBuf>,
}

fn also(word: &str) -> Result<Algorithm, String> {
    let further = |algorithm: &Algorithm| *algorithm != Algorithm::Sha256;
    Algorithm::from_word(word)
        .filter(further)
        .ok_or_else(|| "it must be one of sha512, blake3, md5; sha256 always stands in the lists".to_string())
}

/// What became of the workshop's copy.
pub(super) enum Kept {
    /// It is there.
    At(PathBuf),
    /// Nobody asked for one, or one that nobody asked for could not be had, which was said.
    Not,
    /// One that was asked for could not be had.
    Failed(Error),
}

impl RecordArgs {
    /// Further kinds of digest.
    pub(super) fn also(&self) -> EnumSet<Algorithm> {
        self.also.iter().copied().collect()
    }

    /// What can be known before the image is read: whoever signs can, and the folder for the record can be made.
    ///
    /// # Errors
    /// As [`SigningKey::read`]; [`Error::Destination`] if there is no place for the record.
    pub(super) fn begin(&self) -> Result<Record> {
        let signer = self.sign.as_deref().map(SigningKey::read).transpose()?;
        if let Some(folder) = &self.record {
            let parent =
                folder.parent().filter(|parent| !parent.as_os_str().is_empty()).unwrap_or_else(|| Path::new("."));
            if !folder.is_dir() && (folder.symlink_metadata().is_ok() || !parent.is_dir()) {
                return Err(Error::Destination {
                    path: folder.clone(),
                    why:
                        "the workshop's copy needs a folder, or a new one in a folder that is there; name another with \
                          `--record`"
                            .to_string(),
                });
            }
        }
        Ok(Record { signer, ..Record::default() })
    }

    /// Adds what the records say of the image and of the map's file.
    ///
    /// # Errors
    /// [`Error::ImageIo`] and [`Error::ImageChanged`] if the image can't be hashed; [`Error::Io`] if the map can't.
    pub(super) fn look_at(
        &self,
        image: &dyn Image,
        map: Option<&Path>,
        record: &mut Record,
        context: &mut Context<'_>,
    ) -> Result<()> {
        (record.image, record.image_digest_was_kept) = image_digest::of(image, self.hash_image, context)?;
        if let Some(path) = map {
            let bytes =
                std::fs::read(path).map_err(|source| Error::Io { action: "read", path: path.to_path_buf(), source })?;
            record.map_file_sha256 = Some(Sha256::digest(bytes).iter().map(|byte| format!("{byte:02x}")).collect());
        }
        Ok(())
    }

    /// Keeps the workshop's copy of a finished handover.
    pub(super) fn keep(&self, bag: &Path, image: &dyn Image, ticket: Option<&str>, context: &mut Context<'_>) -> Kept {
        let beside = || {
            // What lies beside a drive itself is gone when the computer is switched off.
            let first =
                image.parts().first().filter(|part| std::fs::metadata(part).is_ok_and(|part| part.is_file()))?;
            let mut name: OsString = first.file_stem()?.to_os_string();
            name.push(BESIDE);
            Some(first.with_file_name(name))
        };
        let Some(into) = self.record.clone().or_else(beside).filter(|_| !self.no_record) else { return Kept::Not };
        match handover::keep(bag, &into, &handover::record_name(bag, ticket), image.parts()) {
            Ok(folder) => Kept::At(folder),
            Err(error) if self.record.is_some() => Kept::Failed(error),
            Err(error) => {
                context.printer.note(&format!(
                    "the workshop's copy of the lists is not kept: {error}; name a folder with `--record`, or say \
                     `--no-record`"
                ));
                Kept::Not
            }
        }
    }
}
