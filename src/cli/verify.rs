//! `handback verify`: is every file of a handover still as it was written?

use super::args::VerifyArgs;
use super::exit::ExitStatus;
use super::{Context, escape, json, size};
use crate::error::{Error, Result};
use crate::handover::{self, SignatureReport, SignatureState, Signers};

/// How many problems are listed on screen; JSON has more.
const SHOWN: usize = 50;

pub(super) fn run(args: &VerifyArgs, context: &mut Context<'_>) -> Result<ExitStatus> {
    let signers = args.signer.as_deref().map(Signers::read).transpose()?;
    let verification = match handover::verify_signed(&args.folder, signers.as_ref(), &context.progress) {
        Ok(verification) => verification,
        // Nothing is handed over here, and a folder that can't be checked is no mistake in the command.
        Err(Error::Destination { path, why }) => {
            context.printer.note(&format!("error: cannot check `{}`: {why}", path.display()));
            return Ok(ExitStatus::Unusable);
        }
        Err(Error::Usage(why)) => {
            context.printer.note(&format!("error: {why}"));
            return Ok(ExitStatus::Unusable);
        }
        Err(error) => return Err(error),
    };
    let status = ExitStatus::of_faults(!verification.is_valid());
    if args.json {
        json::document(&mut context.printer, "verify", &verification)?;
        return Ok(status);
    }
    let printer = &mut context.printer;
    printer.line(&format!("Bag: {} (BagIt {})", verification.folder.display(), verification.version))?;
    printer.line(&format!(
        "{}, {}, checked with {}",
        size::counted(verification.payload_files, "file"),
        size::both(verification.payload_bytes),
        listed(&verification.algorithms)
    ))?;
    if !verification.not_checked.is_empty() {
        printer.line(&format!("Not checked: the {} manifest", verification.not_checked.join(" and ")))?;
    }
    if let Some(signature) = &verification.signature {
        printer.line(&signature_line(signature))?;
    }
    for problem in verification.problems.iter().take(SHOWN) {
        let detail = if problem.detail.is_empty() { String::new() } else { format!(": {}", problem.detail) };
        printer.line(&format!("  `{}` {}{detail}", escape::for_terminal(&problem.path), problem.kind.phrase()))?;
    }
    let more = verification.problem_count - verification.problems.len().min(SHOWN) as u64;
    if more > 0 {
        printer.line(&format!("  … and {} more", size::grouped(more)))?;
    }
    printer.line(match status {
        ExitStatus::Well => "All well: every file is there and is what was written.",
        _ => "This is not what was handed over; compare with the other copy.",
    })?;
    Ok(status)
}

/// `a`, `a and b`, `a, b and c`.
fn listed(words: &[&str]) -> String {
    match words {
        [first @ .., one, last] => {
            let first: String = first.iter().map(|word| format!("{word}, ")).collect();
            format!("{first}{one} and {last}")
        }
        few => few.concat(),
    }
}

/// What is said of a signature.
fn signature_line(signature: &SignatureReport) -> String {
    let key = signature.key.as_deref().unwrap_or("that can't be read");
    let why = escape::for_terminal(signature.why.as_deref().unwrap_or_default());
    match (signature.state, &signature.signer) {
        (SignatureState::Good, Some(signer)) => {
            format!("Signed by `{}`, key {key}: the signature is good", escape::for_terminal(signer))
        }
        (SignatureState::Good, None) => {
            format!("Signed by key {key}: the signature is good; nobody says whose key it is (`--signer FILE` does)")
        }
        (SignatureState::Broken, _) => format!("Signed by key {key}: the signature is NO GOOD: {why}"),
        (SignatureState::OtherSigner, _) => format!("Signed by key {key}, and NOT by who was named: {why}"),
        (SignatureState::NotChecked, _) => format!("Signed by key {key}: the signature is not checked: {why}"),
    }
}
