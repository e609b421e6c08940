//! What a session keeps: the controls, the look and the learned match, with a version and a checksum.

use std::sync::Arc;

use nice_plug::params::persist::deserialize_field;
use nice_plug::prelude::*;

use crate::look::Look;
use crate::params::Controls;

mod bytes;
mod change;
#[cfg(test)]
pub(crate) mod example;
mod port;

pub use bytes::{Kept, StateError};
pub use port::{MatchPort, Session};

/// Key of [`Session`] among the framework's fields.
pub const FIELD: &str = "session";

/// Everything a session keeps.
#[derive(Params)]
pub struct MinuendParams {
    /// What the user can set.
    #[nested]
    pub controls: Arc<Controls>,
    /// The learned match and the look, with a checked copy of the controls. [`FIELD`] is this key.
    #[persist = "session"]
    pub session: Session,
    /// How the window looks.
    pub look: Look,
}

impl Default for MinuendParams {
    fn default() -> Self {
        let controls = Arc::<Controls>::default();
        let look = Look::default();
        Self { session: Session::new(controls.clone(), look.clone()), controls, look }
    }
}

/// Looks at a state before the framework loads it, and makes it either whole or empty: the checked copy of the
/// controls takes the place of the framework's, and what a refused state holds is taken out, so that nothing changes.
///
/// # Errors
///
/// Why it was refused.
pub fn admit(state: &mut PluginState) -> Result<(), StateError> {
    let kept = state
        .fields
        .get(FIELD)
        .and_then(|json| deserialize_field::<String>(json).ok())
        .ok_or(StateError::Foreign)
        .and_then(|text| Kept::decode(&text));
    match kept {
        Ok(kept) => {
            // A control that the session does not know yet starts at its default.
            state.params = Controls::default().values();
            state.params.extend(kept.controls);
            Ok(())
        }
        Err(error) => {
            state.params.clear();
            state.fields.clear();
            Err(error)
        }
    }
}

#[cfg(test)]
mod tests {
    use nice_plug::plugin::ParamValue;

    use super::*;
    use crate::state::example::learned;

    fn state_of(params: &MinuendParams) -> PluginState {
        PluginState {
            version: String::new(),
            params: params.controls.values(),
            fields: params.serialize_fields(),
        }
    }

    #[test]
    fn a_state_is_admitted_whole_or_not_at_all() {
        let params = MinuendParams::default();
        params.session.open(Some(learned()));
        let good = state_of(&params);

        // The framework's own copy of the controls does not count.
        let mut admitted = good.clone();
        admitted.params.insert("trim".into(), ParamValue::F32(1e9));
        admitted.params.remove("hold");
        assert_eq!(admit(&mut admitted), Ok(()));
        assert_eq!(format!("{:?}", admitted.params), format!("{:?}", good.params));

        let mut foreign = good.clone();
        foreign.fields.clear();
        assert_eq!(admit(&mut foreign), Err(StateError::Foreign));
        assert!(foreign.params.is_empty());

        let mut damaged = good.clone();
        damaged.fields.insert(FIELD.into(), "\"AAAA\"".into());
        assert_eq!(admit(&mut damaged), Err(StateError::Damaged));
        assert!(damaged.params.is_empty() && damaged.fields.is_empty());
    }
}
