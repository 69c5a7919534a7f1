//! IEC 62541-15.

use stopspan::telegram::iec_62541_15::{Layout, Request, Response, data_lengths, next_number};

/// Any octets as a request and, in both layouts, as a response.
pub fn iec_62541_15(octets: &[u8]) {
    let request = Request::parse(octets).ok();
    if let Some(request) = request {
        let mut out = Vec::new();
        request.emit(&mut out);
        assert_eq!(out, octets);
        assert!(next_number(request.monitoring_number) >= 0x100);
    }
    for layout in [Layout::TrailerFirst, Layout::DataFirst] {
        let Ok(response) = layout.parse(octets) else { continue };
        let mut out = Vec::new();
        layout.emit(&response, &mut out);
        assert_eq!(out, octets, "a response is sent as it was read");
        for (index, octet) in response.data.iter().enumerate() {
            assert_eq!(layout.data_octet(octets, index), Some(*octet));
        }
        assert_eq!(layout.data_octet(octets, response.data.len()), None);
        let sealed = response.sealed();
        assert_eq!(response.verify().is_ok(), sealed == response, "what verifies is what would be sent");
        assert_eq!(sealed.verify(), Ok(()));
        let request = Request {
            consumer_id: response.consumer_id,
            monitoring_number: response.monitoring_number,
            flags: Default::default(),
        };
        assert_eq!(sealed.answers(&request, response.spdu_ids), Ok(()));
        out.clear();
        sealed.emit_trailer(&mut out);
        let [before, behind] = match layout {
            Layout::TrailerFirst => data_lengths(&out, &[], response.data),
            Layout::DataFirst => data_lengths(&out, response.data, &[]),
        };
        let found = if layout == Layout::DataFirst { before } else { behind };
        // A CRC of 0 is sent as 1, which is not tried.
        assert!(found.contains(&response.data.len()) || sealed.crc == 1);
    }
    let _ = Response::TRAILER;
}
