//! Small machines made at random, as the text of a machine file, for the tests of what turns their figures.

use std::fmt::Write as _;

use proptest::prelude::*;

use crate::machine::{self, Machine};

/// One connection: cycles of bus, host and device in ms, watchdog in ms, reserve in percent, lost telegrams.
pub(super) type Link = ((u32, u32, u32), u32, u32, u32);

/// One function: which connections it uses (a bit mask), faults, which limit, its size in percent of what it needs as set.
pub(super) type Demand = (u32, usize, usize, u32);

/// The machine of `links` and `demands`; limits are set round what each function needs.
pub(super) fn build(links: &[Link], demands: &[Demand]) -> Machine {
    let mut text = "schema = 1\n[machine]\nname = \"x\"\nrevision = \"A\"\n".to_owned();
    for (id, worst, watchdog) in [("sensor", 5, 9), ("logic", 8, 20)] {
        write!(text, "[[element]]\nid = \"{id}\"\nworst_case = \"{worst} ms\"\nwatchdog = \"{watchdog} ms\"\n")
            .unwrap();
    }
    text += "[[element]]\nid = \"power\"\nworst_case = \"6 ms\"\n";
    for index in 0..links.len() {
        // Something has to stand between two connections.
        write!(text, "[[element]]\nid = \"way{index}\"\nworst_case = \"0 ms\"\n").unwrap();
    }
    for (index, ((bus, host, device), watchdog, reserve, lost)) in links.iter().enumerate() {
        let supervises = if index == 0 { "supervises = [\"power\"]\n" } else { "" };
        write!(
            text,
            "[[connection]]\nid = \"c{index}\"\nprofile = \"FSCP 12/1\"\n\
             cycles = {{ bus = \"{bus} ms\", host = \"{host} ms\", device = \"{device} ms\" }}\n\
             watchdog = \"{watchdog} ms\"\nreserve = \"{reserve} %\"\nlost_telegrams = {lost}\n{supervises}\
             telegram = {{ connection_id = {}, device_address = {}, to_device_data = 2, to_host_data = 2 }}\n\
             to_device = {{ carrier = \"type12\", address = {} }}\nto_host = {{ carrier = \"type12\", address = {} }}\n",
            index + 1,
            index + 1,
            0x1000 + index * 0x100,
            0x9000 + index * 0x100,
        )
        .unwrap();
    }
    text += "[[axis]]\nid = \"lift\"\nkind = \"linear\"\nmax_speed = \"500 mm/s\"\nfault_acceleration = \"4 m/s^2\"\n\
             coast_deceleration = \"2 m/s^2\"\n[[axis.stop]]\nfunction = \"SS1-r\"\ndelay = \"15 ms\"\n\
             deceleration = \"3 m/s^2\"\njerk = \"60 m/s^3\"\n";
    for (index, (mask, faults, limit, percent)) in demands.iter().enumerate() {
        let mut path = vec!["\"sensor\"".to_owned()];
        // The first one last, so that the power stage, which it supervises, follows it.
        let used = (0..links.len()).rev().filter(|link| mask >> link & 1 == 1 || *mask == 0);
        for link in used {
            let behind = if link == 0 { "power".to_owned() } else { format!("way{link}") };
            path.extend([format!("\"c{link}\""), format!("\"{behind}\"")]);
        }
        path.push("\"logic\"".to_owned());
        let faults = ["none", "one", "all"][faults % 3];
        // About 60 ms of transfers and 100 ms of watchdogs, 400 ms and 200 mm of stop.
        let sized = |of: u32| of * percent / 100;
        let stop = ["", "axis = \"lift\"\nstop = \"STO\"\n", "axis = \"lift\"\nstop = \"SS1-r\"\n"][limit % 3];
        let required = match (limit % 3, limit / 3 % 3) {
            (0, _) => format!("response_time = \"{} ms\"", sized(180)),
            (_, 0) => format!("time = \"{} ms\"", sized(460)),
            (_, 1) => format!("travel = \"{} mm\"", sized(160)),
            _ => format!(
                "separation = \"{} mm\"\napproach = \"guard\"\nintrusion = \"20 mm\"\nedition = \"ISO 13855:2010\"",
                sized(760)
            ),
        };
        write!(
            text,
            "[[function]]\nid = \"f{index}\"\npath = [{}]\nfaults = \"{faults}\"\n{stop}[function.required]\n{required}\n",
            path.join(", ")
        )
        .unwrap();
    }
    machine::read("random", &text).unwrap_or_else(|problems| panic!("{problems}\n{text}"))
}

/// Machines of up to `connections` connections.
pub(super) fn machines(connections: usize) -> impl Strategy<Value = Machine> {
    let link = ((1_u32..8, 1_u32..8, 1_u32..8), 60_u32..160, 0_u32..40, 0_u32..3);
    let demand = (any::<u32>(), 0_usize..3, 0_usize..9, 60_u32..220);
    (prop::collection::vec(link, 1..=connections), prop::collection::vec(demand, 1..4)).prop_map(|(links, demands)| {
        let most = 1_u32 << links.len();
        let demands: Vec<Demand> = demands.into_iter().map(|(mask, f, l, p)| (mask % most, f, l, p)).collect();
        build(&links, &demands)
    })
}
