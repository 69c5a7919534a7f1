use super::*;
#[test]
fn t() {
    if let Err(p) = read("template.toml", TEMPLATE) { println!("{p}"); }
    let all: String = TEMPLATE.lines().map(|l| match l.strip_prefix('#') { Some(r) if !r.starts_with(' ') => r, _ => l }).map(|l| format!("{l}\n")).collect();
    if let Err(p) = read("all.toml", all) { println!("{p}"); }
    match read("machine.toml", include_str!("../../captures/reel-wrapper/machine.toml")) {
      Err(p) => println!("{p}"), Ok(m) => println!("{:#?}", m.connections[7]) }
}
