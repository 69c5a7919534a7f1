//! Whose figures they are: each source with what it vouches for, and what nobody is named for.

use std::collections::BTreeMap;

use super::{List, is_used};
use crate::machine::{Machine, ResponseForm, Step};

pub(super) fn figures<'m>(machine: &'m Machine, list: &mut List) {
    let mut by_source: BTreeMap<Option<&'m str>, Vec<String>> = BTreeMap::new();
    let mut add = |id: String, source: Option<&'m str>| by_source.entry(source).or_default().push(id);
    for (index, element) in machine.elements.iter().enumerate() {
        if is_used(machine, Step::Element(index)) {
            add(element.id.clone(), element.source.as_deref());
        }
    }
    for connection in &machine.connections {
        add(connection.id.clone(), connection.source.as_deref());
    }
    for axis in &machine.axes {
        add(axis.id.clone(), axis.source.as_deref());
        for monitor in &axis.monitors {
            add(format!("{} of {}", monitor.id, axis.id), monitor.source.as_deref());
        }
        for series in &axis.series {
            add(format!("measured {} of {}", series.kind.name(), axis.id), series.source.as_deref());
        }
    }
    for medium in &machine.media {
        add(medium.id.clone(), medium.source.as_deref());
    }
    for function in &machine.functions {
        add(function.id.clone(), function.source.as_deref());
    }
    for (source, of) in by_source.iter().rev() {
        let text = match source {
            Some(source) => format!("The figures are right as taken from: {source}"),
            None => "The figures are right, though the machine file names no source for them.".to_owned(),
        };
        list.add("figures", of.clone(), text);
    }
    let with_form = machine.connections.iter().filter(|connection| connection.response.form.is_some());
    list.add_for(
        "figures",
        with_form.map(|connection| {
            let form = connection.response.form.as_ref().map_or("", ResponseForm::name);
            format!("{} ({form})", connection.id)
        }),
        "The published response form that the machine file chooses is the one of the devices; none of the standards' own texts was \
         seen.",
    );
    let derived = machine.connections.iter().filter(|connection| connection.worst_case_derived);
    list.add_for(
        "figures",
        derived.map(|connection| connection.id.clone()),
        "The transfer takes at most what follows from the declared cycles: no other task, queue or repetition adds to it.",
    );
}
