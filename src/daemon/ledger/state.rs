//! Where a scan can be, and which ways lead from there.

use serde::{Deserialize, Serialize};

/// Where a scan is.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum State {
    /// Its files are being moved out of the inbox.
    #[default]
    Arriving,
    /// All of it is here; its turn has not come.
    Waiting,
    /// A worker has it.
    Working,
    /// The disk, or the place to publish in, failed; tried again after a while.
    Held,
    /// Published in the outbox.
    Done,
    /// Cannot be printed as it is; kept with the reason.
    Refused,
    /// Given up on request; kept.
    Cancelled,
}

impl State {
    pub const ALL: [Self; 7] =
        [Self::Arriving, Self::Waiting, Self::Working, Self::Held, Self::Done, Self::Refused, Self::Cancelled];

    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Self::Arriving => "arriving",
            Self::Waiting => "waiting",
            Self::Working => "working",
            Self::Held => "held",
            Self::Done => "done",
            Self::Refused => "refused",
            Self::Cancelled => "cancelled",
        }
    }

    #[must_use]
    pub fn named(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|state| state.name() == name)
    }

    /// Whether a scan may go from here to there in one step; `DEVELOPERS.md` has the same as a table.
    #[must_use]
    pub fn may_become(self, to: Self) -> bool {
        use State::{Arriving, Cancelled, Done, Held, Refused, Waiting, Working};
        match self {
            Arriving => matches!(to, Waiting | Refused | Cancelled),
            Waiting => matches!(to, Working | Refused | Cancelled),
            Working => matches!(to, Waiting | Held | Done | Refused | Cancelled),
            Held => matches!(to, Waiting | Refused | Cancelled),
            Done | Refused | Cancelled => to == Waiting,
        }
    }

    /// Whether nothing more happens to it by itself.
    #[must_use]
    pub fn is_settled(self) -> bool {
        matches!(self, Self::Done | Self::Refused | Self::Cancelled)
    }
}
