//! Whose drive it is and who did the work, as the workshop noted it.

use jiff::civil::Date;
use serde::{Deserialize, Serialize};

/// What is known of a job beside the image. All of it may be missing; it goes into the report, the records and
/// `bag-info.txt` as it stands here.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct JobDetails {
    /// The job's number at the workshop.
    pub ticket: Option<String>,
    /// How the customer is called in the workshop's books: a number or a name.
    pub customer: Option<String>,
    /// The workshop's name.
    pub workshop: Option<String>,
    /// Who did the work.
    pub technician: Option<String>,
    /// The day the drive came in.
    #[serde(with = "day")]
    pub received: Option<Date>,
    /// The day the image was made.
    #[serde(with = "day")]
    pub imaged: Option<Date>,
    /// What is wrong with the drive.
    pub fault: Option<String>,
    /// Anything else that the customer should read.
    pub notes: Option<String>,
    /// The drive itself.
    pub drive: DriveDetails,
}

/// What stands on the drive's label.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct DriveDetails {
    /// Who made it.
    pub make: Option<String>,
    /// Its model.
    pub model: Option<String>,
    /// Its serial number.
    pub serial: Option<String>,
    /// How much it holds, as it is printed there.
    pub capacity: Option<String>,
}

impl DriveDetails {
    /// Everything that is known of it, in one line; `None` for nothing.
    pub(crate) fn line(&self) -> Option<String> {
        let all = [("", &self.make), ("", &self.model), ("serial number ", &self.serial), ("", &self.capacity)];
        let known: Vec<String> =
            all.into_iter().filter_map(|(word, value)| Some(format!("{word}{}", value.as_deref()?))).collect();
        (!known.is_empty()).then(|| known.join(", "))
    }
}

/// Days as `2026-03-14`.
mod day {
    use jiff::civil::Date;
    use serde::{Deserialize, Deserializer, Serialize, Serializer};

    pub(super) fn serialize<S: Serializer>(day: &Option<Date>, serializer: S) -> Result<S::Ok, S::Error> {
        day.map(|day| day.to_string()).serialize(serializer)
    }

    pub(super) fn deserialize<'d, D: Deserializer<'d>>(deserializer: D) -> Result<Option<Date>, D::Error> {
        let text: Option<String> = Option::deserialize(deserializer)?;
        text.map(|text| text.parse().map_err(serde::de::Error::custom)).transpose()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_written_reads_back() {
        let details = JobDetails {
            ticket: Some("C-17".to_string()),
            received: Some(jiff::civil::date(2026, 3, 14)),
            drive: DriveDetails { capacity: Some("20 MB".to_string()), ..DriveDetails::default() },
            ..JobDetails::default()
        };
        let text = serde_json::to_string(&details).unwrap();
        assert!(text.contains("\"received\":\"2026-03-14\""), "{text}");
        assert_eq!(serde_json::from_str::<JobDetails>(&text).unwrap(), details);
        assert_eq!(serde_json::from_str::<JobDetails>("{}").unwrap(), JobDetails::default());
        assert!(serde_json::from_str::<JobDetails>("{\"tickets\":1}").is_err());
        assert_eq!(details.drive.line().as_deref(), Some("20 MB"));
        assert_eq!(DriveDetails::default().line(), None);
    }
}
