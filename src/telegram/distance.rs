//! CRCs over short messages as sums: what each octet adds to the register, by how many octets follow it.
//!
//! A CRC is linear over GF(2), so the register behind a message is the exclusive or of what every octet alone leaves behind,
//! and the start value is one more such term. A table by octet has to take the octets one after another; with a table for each
//! distance from the end all lookups of a message are independent, and terms that several CRCs share are added up once. The
//! registers are those of an unreflected CRC (polynomial without its highest bit, first bit the highest) without a final
//! exclusive or.

/// `SUM[k][octet]`: the 16-bit register that `octet` leaves behind if `k` octets of zero follow it.
pub(super) const fn tables_16<const K: usize>(polynomial: u16) -> [[u16; 256]; K] {
    let wide = tables_32::<K>((polynomial as u32) << 16);
    let mut tables = [[0; 256]; K];
    let mut k = 0;
    while k < K {
        let mut octet = 0;
        while octet < 256 {
            let [high, low, _, _] = wide[k][octet].to_be_bytes();
            tables[k][octet] = u16::from_be_bytes([high, low]);
            octet += 1;
        }
        k += 1;
    }
    tables
}

/// As [`tables_16`], 24 bits in the low part of each entry.
pub(super) const fn tables_24<const K: usize>(polynomial: u32) -> [[u32; 256]; K] {
    let mut tables = tables_32::<K>(polynomial << 8);
    let mut k = 0;
    while k < K {
        let mut octet = 0;
        while octet < 256 {
            tables[k][octet] >>= 8;
            octet += 1;
        }
        k += 1;
    }
    tables
}

/// As [`tables_16`], for a register of 32 bits; a narrower one stands in its high part, and so does its polynomial.
const fn tables_32<const K: usize>(polynomial: u32) -> [[u32; 256]; K] {
    let mut tables = [[0; 256]; K];
    let mut octet = 0_u8;
    loop {
        tables[0][octet as usize] = step(u32::from_be_bytes([octet, 0, 0, 0]), polynomial);
        match octet.checked_add(1) {
            Some(next) => octet = next,
            None => break,
        }
    }
    let mut k = 1;
    while k < K {
        let mut octet = 0;
        while octet < 256 {
            let [first, ..] = tables[k - 1][octet].to_be_bytes();
            tables[k][octet] = (tables[k - 1][octet] << 8) ^ tables[0][first as usize];
            octet += 1;
        }
        k += 1;
    }
    tables
}

const fn step(mut register: u32, polynomial: u32) -> u32 {
    let mut bit = 0;
    while bit < 8 {
        register = (register << 1) ^ if register >> 31 == 1 { polynomial } else { 0 };
        bit += 1;
    }
    register
}
