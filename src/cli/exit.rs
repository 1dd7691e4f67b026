//! The exit status: four numbers that scripts can rely on.

use std::process::ExitCode;

use crate::error::Error;

/// How a run ended. The order is the one in which several are merged: the gravest wins.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum ExitStatus {
    /// 0: all well. What no map speaks for, what is locked and what never was on the drive is printed and is no fault.
    Well,
    /// 1: done, but something that was asked for or shown is damaged, doubtful, lost, incomplete or differs.
    Faults,
    /// 2: the command can't be understood, or names something that isn't there.
    Usage,
    /// 3: the image, the volume or the destination can't be used.
    Unusable,
}

impl ExitStatus {
    /// The number.
    #[must_use]
    pub fn code(self) -> u8 {
        match self {
            Self::Well => 0,
            Self::Faults => 1,
            Self::Usage => 2,
            Self::Unusable => 3,
        }
    }

    /// The status of two pieces of work together.
    #[must_use]
    pub fn merge(self, other: Self) -> Self {
        self.max(other)
    }

    /// [`ExitStatus::Faults`] if there are any.
    #[must_use]
    pub fn of_faults(any: bool) -> Self {
        if any { Self::Faults } else { Self::Well }
    }
}

impl From<&Error> for ExitStatus {
    fn from(error: &Error) -> Self {
        match error {
            Error::Usage(_) | Error::NoVolumeAt { .. } => Self::Usage,
            Error::ImageIo { .. }
            | Error::ImageChanged { .. }
            | Error::ImageDiffers { .. }
            | Error::Io { .. }
            | Error::Destination { .. }
            | Error::Unreadable { .. }
            | Error::Corrupt { .. }
            | Error::Unsupported { .. }
            | Error::Limit { .. } => Self::Unusable,
        }
    }
}

impl From<ExitStatus> for ExitCode {
    fn from(status: ExitStatus) -> Self {
        Self::from(status.code())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const ALL: [ExitStatus; 4] = [ExitStatus::Well, ExitStatus::Faults, ExitStatus::Usage, ExitStatus::Unusable];

    #[test]
    fn the_numbers_are_a_promise() {
        assert_eq!(ALL.map(ExitStatus::code), [0, 1, 2, 3]);
    }

    #[test]
    fn the_gravest_wins_whatever_the_order() {
        for (at, first) in ALL.into_iter().enumerate() {
            for (other_at, second) in ALL.into_iter().enumerate() {
                assert_eq!(first.merge(second), ALL[at.max(other_at)]);
            }
        }
        assert_eq!(ExitStatus::of_faults(true), ExitStatus::Faults);
        assert_eq!(ExitStatus::of_faults(false), ExitStatus::Well);
    }

    #[test]
    fn only_a_wrong_command_is_wrong_usage() {
        assert_eq!(ExitStatus::from(&Error::Usage(String::new())), ExitStatus::Usage);
        let unsupported = Error::Unsupported { what: String::new(), next: String::new() };
        assert_eq!(ExitStatus::from(&unsupported), ExitStatus::Unusable);
        let image = Error::ImageIo { path: "disk.img".into(), offset: None, source: std::io::ErrorKind::Other.into() };
        assert_eq!(ExitStatus::from(&image), ExitStatus::Unusable);
    }
}
