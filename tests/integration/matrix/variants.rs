//! The machines of the matrix: for each form of a profile two connections alike but for their identity.

use std::fmt::Write as _;

use stopspan::machine::{self, Machine};

/// A form of a profile.
#[derive(Clone, Copy)]
pub struct Variant {
    /// Name in the table.
    pub name: &'static str,
    /// What stands before the connections.
    before: &'static str,
    /// Profile and telegram of twin 0 or 1.
    telegram: fn(usize) -> String,
    /// Places to the device and to the host of twin 0 or 1.
    places: fn(usize) -> [String; 2],
    /// Telegram of each direction, to the device and to the host, that the faults of the start-up happen to.
    pub start_up_telegram: [u64; 2],
}

impl Variant {
    pub fn machine(&self) -> Machine {
        let mut text = String::from(
            "schema = 1\nmachine = { name = \"Reel wrapping cell\", revision = \"E\" }\n\
             element = [{ id = \"switch\", worst_case = \"8 ms\" }, { id = \"drive\", worst_case = \"8 ms\" }]\n\
             function = [{ id = \"gate-opens\", path = [\"switch\", \"gate\", \"drive\"], required = { response_time = \"1 s\" } }]\n",
        );
        text.push_str(self.before);
        for (twin, id) in ["gate", "lift"].into_iter().enumerate() {
            let [out, back] = (self.places)(twin);
            write!(
                text,
                "[[connection]]\nid = \"{id}\"\ncycles = {{ bus = \"4 ms\", host = \"4 ms\", device = \"4 ms\" }}\nwatchdog = \"60 ms\"\n{}\n\
                 [connection.to_device]\n{out}\n[connection.to_host]\n{back}\n",
                (self.telegram)(twin),
            )
            .unwrap();
        }
        machine::read("machine.toml", text).unwrap_or_else(|problems| panic!("{}: {problems}", self.name))
    }
}

fn type12(twin: usize) -> [String; 2] {
    [0x1000, 0x2000].map(|base| format!("carrier = \"type12\"\naddress = 0x{:04X}", base + 0x40 * twin))
}

fn type10(twin: usize) -> [String; 2] {
    [0xC001, 0xC011].map(|base| format!("carrier = \"type10\"\nframe_id = 0x{:04X}", base + twin))
}

fn type13(twin: usize) -> [String; 2] {
    ["PReq", "PRes"].map(|message| format!("carrier = \"type13\"\nmessage = \"{message}\"\nnode = {}", 5 + twin))
}

fn udp(twin: usize) -> [String; 2] {
    [34_001, 34_011].map(|base| format!("carrier = \"udp\"\ndestination_port = {}", base + twin))
}

fn type2(twin: usize) -> [String; 2] {
    [0x2000_0001, 0x1000_0001].map(|base| format!("carrier = \"type2\"\nconnection_id = 0x{:08X}", base + twin))
}

fn fscp_12_1(twin: usize, data: [usize; 2]) -> String {
    format!(
        "profile = \"FSCP 12/1\"\n[connection.telegram]\nconnection_id = {}\ndevice_address = {}\n\
         to_device_data = {}\nto_host_data = {}\napplication_parameters = \"01 02 03\"",
        7 + twin,
        0x107 + twin,
        data[0],
        data[1],
    )
}

fn fscp_3_1(twin: usize, data: [usize; 2]) -> String {
    format!(
        "profile = \"FSCP 3/1\"\n[connection.telegram]\nto_device_data = {}\nto_host_data = {}\nparameter_crc = 0x{:04X}",
        data[0],
        data[1],
        0x22FF + 0x1234 * twin,
    )
}

fn fscp_13_1(twin: usize, data: [usize; 2], udid: &str) -> String {
    format!(
        "profile = \"FSCP 13/1\"\n[connection.telegram]\nto_device_data = {}\nto_host_data = {}\n\
         to_device_address = {}\nto_host_address = {}\n{udid}",
        data[0],
        data[1],
        1 + 2 * twin,
        2 + 2 * twin,
    )
}

const UDID: &str = "udid = \"00:60:65:01:02:03\"\ndomain = 1";

fn iec_62541_15(twin: usize) -> String {
    format!(
        "profile = \"IEC 62541-15\"\nsil = 3\n[connection.telegram]\nto_host_data = 4\n\
         base_id = \"72962B91-FA75-4AE6-8D28-B404DC7DAF63\"\nprovider_id = {}\nstructure_signature = 0xDE7329FD\n\
         consumer_id = 0x{:08X}",
        0x00E0_6B40 + twin,
        0x1122_3344 + twin,
    )
}

fn fscp_2_1(twin: usize, produces: &str, data: usize, format: &str) -> String {
    format!(
        "profile = \"FSCP 2/1\"\n[connection.telegram]\n{produces}_data = {data}\nformat = \"{format}\"\n\
         producer = {{ vendor = 1, device_serial = 0x12340000, connection_serial = {twin} }}\n\
         consumer = {{ vendor = 2, device_serial = 77, connection_serial = {twin} }}\n\
         packet_interval = \"10 ms\"\nping_interval = 4\ntimeout_multiplier = 2\nnetwork_time_expectation = 400\n{}",
        // Without the first rollover count nothing proves the first message.
        if format == "extended" { "initial_time_stamp = 0\ninitial_rollover = 0" } else { "" },
    )
}

fn declared(twin: usize) -> String {
    let (source, seed) = (0x0101 + twin, 0x1D0F + 37 * twin);
    format!(
        "profile = \"layout\"\n[connection.telegram]\nlayout = \"cell-link\"\n\
         to_device = {{ source = {source}, seed = {seed} }}\n\
         to_host = {{ source = {}, seed = {} }}",
        source + 0x100,
        seed + 1,
    )
}

const NUMBER_SENT: &str = r#"
[[layout]]
id = "cell-link"
field = [
    { name = "source", kind = "id", octets = 2 },
    { name = "number", kind = "counter", octets = 1, wrap_to = 0, steps_with = "toggle" },
    { name = "safe", kind = "data", octets = 2 },
    { name = "status", kind = "flags", octets = 1 },
    { name = "toggle", kind = "toggle", inside = "status", bit = 7 },
    { name = "seed", kind = "id", octets = 2, virtual = true },
    { name = "check", kind = "crc", bits = 16, polynomial = 0x5935, start = "seed", over = ["source", "number", "safe", "status"] },
]
"#;

pub const NUMBER_HIDDEN: &str = r#"
[[layout]]
id = "cell-link"
field = [
    { name = "mark", kind = "constant", octets = 1, value = 0x5A },
    { name = "source", kind = "id", octets = 2 },
    { name = "number", kind = "counter", octets = 2, virtual = true, wrap_to = 0 },
    { name = "safe", kind = "data", octets = 2 },
    { name = "seed", kind = "id", octets = 2, virtual = true },
    { name = "check", kind = "crc", bits = 32, polynomial = 0xF4ACFB13, start = "seed", over = ["source", "number", "safe"] },
]
"#;

macro_rules! variant {
    ($name:literal, $before:expr, $telegram:expr, $places:expr, $start_up:expr) => {
        Variant { name: $name, before: $before, telegram: $telegram, places: $places, start_up_telegram: $start_up }
    };
}

/// Short telegrams that often read in either order of their subframes; what else is staged is in the table with longer ones.
pub const SHORT_IN_UDP: Variant =
    variant!("FSCP 13/1, 2 and 4 octets, UDP", "", |twin| fscp_13_1(twin, [2, 4], UDID), udp, [3, 3]);

/// FSCP 12/1 where only chains of CRCs tell what the capture lost, and where the counter of each sender does too.
pub const CHAINED: [Variant; 4] = [
    variant!("FSCP 12/1, 8 and 6 octets, UDP", "", |twin| fscp_12_1(twin, [8, 6]), udp, [5, 5]),
    variant!("FSCP 12/1, 2 and 1 octets, UDP", "", |twin| fscp_12_1(twin, [2, 1]), udp, [5, 5]),
    variant!("FSCP 12/1, 8 and 6 octets, Type 10", "", |twin| fscp_12_1(twin, [8, 6]), type10, [5, 5]),
    variant!("FSCP 12/1, 8 and 6 octets, Type 12", "", |twin| fscp_12_1(twin, [8, 6]), type12, [5, 5]),
];

/// All of them, in the order of the table.
pub const VARIANTS: [Variant; 13] = [
    variant!("FSCP 12/1, 8 and 6 octets, Type 12", "", |twin| fscp_12_1(twin, [8, 6]), type12, [5, 5]),
    variant!("FSCP 12/1, 2 and 1 octets, Type 12", "", |twin| fscp_12_1(twin, [2, 1]), type12, [5, 5]),
    variant!("FSCP 3/1, 3-octet CRC2, Type 10", "", |twin| fscp_3_1(twin, [2, 4]), type10, [4, 4]),
    variant!("FSCP 3/1, 4-octet CRC2, Type 10", "", |twin| fscp_3_1(twin, [13, 14]), type10, [4, 4]),
    variant!("FSCP 13/1, 2 and 4 octets, Type 13", "", |twin| fscp_13_1(twin, [2, 4], UDID), type13, [3, 3]),
    variant!("FSCP 13/1, 9 and 20 octets, UDP", "", |twin| fscp_13_1(twin, [9, 20], UDID), udp, [3, 3]),
    variant!("FSCP 13/1, no UDID known, Type 13", "", |twin| fscp_13_1(twin, [2, 4], ""), type13, [4, 4]),
    variant!("FSCP 2/1 base, to_host, Type 2", "", |twin| fscp_2_1(twin, "to_host", 2, "base"), type2, [2, 2]),
    variant!(
        "FSCP 2/1 extended, to_device, Type 2",
        "",
        |twin| fscp_2_1(twin, "to_device", 4, "extended"),
        type2,
        [2, 2]
    ),
    variant!("FSCP 2/1 base, to_device, Type 2", "", |twin| fscp_2_1(twin, "to_device", 6, "base"), type2, [2, 2]),
    variant!("IEC 62541-15, UDP", "", iec_62541_15, udp, [12, 3]),
    variant!("layout with its number sent, UDP", NUMBER_SENT, declared, udp, [16, 4]),
    variant!("layout with its number hidden, Type 10", NUMBER_HIDDEN, declared, type10, [16, 6]),
];
