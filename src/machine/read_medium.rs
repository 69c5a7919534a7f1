//! `[[medium]]`.

use super::delay::Medium;
use super::fields::Fields;
use super::mistake::{Mistake, Reported};
use super::names::{self, Names};
use super::values::{self, words};

pub(super) fn medium<'t>(mut fields: Fields<'t>, names: &Names<'t>) -> Result<Medium, Reported> {
    let id = fields.required("id", "\"ring\"", names::id);
    let title = fields.optional("title", words);
    let list = fields.required("connections", "[\"gate\", \"lift-drive\"]", |value| {
        let list = values::names(value)?;
        if list.len() < 2 {
            return Err(Mistake::new(&value.span, "a medium of fewer than two connections is not shared")
                .expected("the ids of all connections that one disturbance hits together"));
        }
        Ok(list)
    });
    let source = fields.optional("source", words);
    // Every name is looked up, so that all unknown ones are reported.
    let found: Vec<Result<usize, Reported>> = list?.iter().map(|name| names.connection(name)).collect();
    let connections = found.into_iter().collect::<Result<_, _>>();
    Ok(Medium { id: id?, title: title?, connections: connections?, source: source? })
}
