//! Invented rows in, facts or reasons with their lines out.

use std::io::Write as _;
use std::path::PathBuf;

use flate2::Compression;
use flate2::write::GzEncoder;

use super::*;

struct Temporary(PathBuf);

impl Temporary {
    fn new(name: &str, bytes: &[u8]) -> Self {
        let name = format!("restvolt-files-{}-{name}", std::process::id());
        let path = std::env::temp_dir().join(name);
        std::fs::write(&path, bytes).unwrap();
        Self(path)
    }
}

impl Drop for Temporary {
    fn drop(&mut self) {
        let _ = std::fs::remove_file(&self.0);
    }
}

const LINES: &str = "\u{feff}{\"case_id\":\"k1\",\"shop_id\":\"Kelder\",\"presented_at\":1704093334,\
\"nominal_v\":12,\"chemistry\":\"agm\",\"rest_v\":11.9,\"months_since_charge\":4.0,\"tester\":\"ok\",\
\"electrolyte_low\":null,\"attempted\":true}\r\n\
\n\
{\"case_id\":\"k2\",\"shop_id\":\"Vell\",\"nominal_v\":6,\"chemistry\":\"wet\",\"rest_v\":5.9}\n\
not json\n\
{\"case_id\":\"k3\",\"shop_id\":\"Vell\",\"nominal_v\":\"6\",\"chemistry\":\"gel\",\"rest_v\":\"5.9\"}\n";

#[test]
fn good_lines_are_read_and_bad_ones_are_named_by_line_and_field() {
    let file = Temporary::new("a.jsonl", LINES.as_bytes());
    let rows: Vec<_> = read_visits(&file.0).unwrap().collect();
    let lines: Vec<u64> = rows.iter().map(|row| row.0).collect();
    assert_eq!(lines, [1, 3, 4, 5]);
    let first = rows[0].1.as_ref().unwrap();
    assert_eq!(
        (first.case_ref.as_str(), first.shop.as_str()),
        ("k1", "Kelder")
    );
    assert_eq!(first.facts.months_since_full_charge, Some(4.0));
    assert_eq!(first.facts.presented_at.unwrap().timestamp(), 1_704_093_334);
    assert_eq!(first.facts.electrolyte_low, None);
    assert_eq!(rows[1].1.as_ref().unwrap_err().field, "chemistry");
    assert_eq!(rows[2].1.as_ref().unwrap_err().code, Code::MalformedPayload);
    let last = rows[3].1.as_ref().unwrap();
    assert_eq!(
        (last.facts.nominal_volts, last.facts.rest_volts),
        (6, Some(5.9))
    );
}

#[test]
fn gzip_and_csv_say_the_same() {
    let mut packed = GzEncoder::new(Vec::new(), Compression::fast());
    packed.write_all(LINES.as_bytes()).unwrap();
    let packed = Temporary::new("b.jsonl.gz", &packed.finish().unwrap());
    let csv = "case_id,shop_id,presented_at,nominal_v,chemistry,rest_v,months_since_charge,tester,flags\n\
        k1,Kelder,2024-01-01T07:15:34Z,12,agm,11.9,4.0,ok,\n\
        k2,Vell,,6,wet,5.9,,,\nk4,Vell,,6,gel,5.9,,,swollen; leaking\n";
    let csv = Temporary::new("b.csv", csv.as_bytes());
    let first = |path: &Path| read_visits(path).unwrap().next().unwrap().1.unwrap();
    assert_eq!(first(&packed.0), first(&csv.0));
    let rows: Vec<_> = read_visits(&csv.0).unwrap().collect();
    assert_eq!(rows[1].0, 3);
    assert!(rows[1].1.is_err());
    let flags = &rows[2].1.as_ref().unwrap().facts.flags;
    assert_eq!(*flags, [VisualFlag::Swollen, VisualFlag::Leaking]);
}

#[test]
fn attempts_count_by_case_and_carry_their_checkpoints() {
    let text = "{\"case_id\":\"k1\",\"method\":\"cc_cv\",\"started_at\":1704466833,\"hours\":5.7,\
        \"outcome\":\"recovered\",\"verified\":true,\"checkpoints\":[{\"h\":0.25,\"accept_c\":0.061}]}\n\
        {\"case_id\":\"k1\",\"started_at\":1704566833,\"hours\":1,\"outcome\":\"not_recovered\"}\n\
        {\"case_id\":\"k1\",\"started_at\":\"soon\",\"hours\":1,\"outcome\":\"x\"}\n";
    let file = Temporary::new("c.jsonl", text.as_bytes());
    let rows: Vec<_> = read_attempts(&file.0).unwrap().collect();
    let first = rows[0].1.as_ref().unwrap();
    assert_eq!(
        (first.number, first.verified, first.method),
        (1, true, Some(Method::CcCv))
    );
    assert!((first.checkpoints[0].at_h - 0.25).abs() < 1e-12);
    assert_eq!(first.checkpoints[0].dv, None);
    let second = rows[1].1.as_ref().unwrap();
    assert_eq!(
        (second.number, second.verified, second.method),
        (2, false, None)
    );
    assert_eq!(rows[2].1.as_ref().unwrap_err().field, "started_at");
    let cell = "case_id,started_at,hours,outcome,checkpoints\n\
        k1,1704466833,5.7,recovered,\"[{\"\"h\"\":0.5,\"\"dv\"\":0.3}]\"\n";
    let file = Temporary::new("c.csv", cell.as_bytes());
    let row = read_attempts(&file.0).unwrap().next().unwrap().1.unwrap();
    assert_eq!(row.checkpoints[0].dv, Some(0.3));
}

#[test]
fn shops_state_what_they_know_and_leave_the_rest() {
    let text = "[{\"shop_id\":\"Brack\",\"labour_per_h\":52.86,\"currency\":\"EUR\"},7]";
    let file = Temporary::new("d.json", text.as_bytes());
    let rows: Vec<_> = read_shops(&file.0).unwrap().collect();
    let shop = rows[0].1.as_ref().unwrap();
    assert_eq!(shop.costs, [(CostItem::LabourPerH, 52.86)]);
    assert!(rows[1].1.is_err());
    let file = Temporary::new("e.json", b"{}");
    assert!(read_shops(&file.0).is_err());
}

#[test]
fn a_line_without_end_is_refused_and_never_fills_the_memory() {
    let file = Temporary::new("f.jsonl", &vec![b'x'; 200_000]);
    let rows: Vec<_> = read_visits(&file.0).unwrap().collect();
    assert_eq!(rows.len(), 1);
    assert!(
        rows[0]
            .1
            .as_ref()
            .unwrap_err()
            .detail
            .contains("longer than")
    );
    assert!(read_visits(Path::new("/nowhere/x.jsonl")).is_err());
}

#[test]
fn a_line_that_is_too_long_is_refused_and_the_next_one_is_read() {
    let good = "{\"case_id\":\"k1\",\"shop_id\":\"Kelder\"}";
    let exact = format!("{good}{}", " ".repeat(65_536 - good.len()));
    let text = format!("{exact}\n{exact} \n{}\r\n{good}", "x".repeat(300_000));
    let file = Temporary::new("g.jsonl", text.as_bytes());
    let rows: Vec<_> = read_visits(&file.0).unwrap().collect();
    let read: Vec<(u64, bool)> = rows
        .iter()
        .map(|(line, row)| (*line, row.is_ok()))
        .collect();
    assert_eq!(read, [(1, true), (2, false), (3, false), (4, true)]);
}

#[test]
fn a_csv_quote_that_is_not_closed_spoils_its_own_line_only() {
    let csv = "case_id,started_at,hours,outcome\n\
        k1,1704466833,5.7,\"recovered\n\
        k2,1704466833,5.7,recovered,6\n\
        \n\
        \"k3\",1704466833,5.7,recovered";
    let file = Temporary::new("h.csv", csv.as_bytes());
    let rows: Vec<_> = read_attempts(&file.0).unwrap().collect();
    let lines: Vec<u64> = rows.iter().map(|row| row.0).collect();
    assert_eq!(lines, [2, 3, 5]);
    let detail = |place: usize| rows[place].1.as_ref().unwrap_err().detail.clone();
    assert!(detail(0).contains("not closed"), "{}", detail(0));
    assert_eq!(detail(1), "5 values for 4 columns");
    assert_eq!(rows[2].1.as_ref().unwrap().case_ref, "k3");
    let twice = Temporary::new("i.csv", b"case_id,hours,case_id\n");
    let error = read_attempts(&twice.0).err().unwrap().to_string();
    assert!(error.contains("`case_id` stands twice"), "{error}");
    let empty = Temporary::new("j.csv", b"");
    assert!(read_attempts(&empty.0).is_err());
}

#[test]
fn columns_nobody_asks_for_are_named_once() {
    let text = "{\"case_id\":\"k1\",\"shop_id\":\"Kelder\",\"months_since_chrage\":4,\"attempted\":true}\n";
    let file = Temporary::new("k.jsonl", text.repeat(3).as_bytes());
    let mut rows = read_visits(&file.0).unwrap();
    assert_eq!(rows.unknown().count(), 0);
    assert_eq!(rows.by_ref().filter(|row| row.1.is_ok()).count(), 3);
    let unknown: Vec<&str> = rows.unknown().collect();
    assert_eq!(unknown, ["months_since_chrage"]);
    let shops = Temporary::new(
        "l.json",
        br#"[{"shop_id":"Vell","kwh_price":0.3,"owner":"x"}]"#,
    );
    let mut rows = read_shops(&shops.0).unwrap();
    assert_eq!(rows.by_ref().count(), 1);
    assert_eq!(rows.unknown().collect::<Vec<_>>(), ["owner"]);
    // However many names a file invents, few are kept.
    let lines: Vec<String> = (0..100)
        .map(|number| format!("{{\"case_id\":\"k\",\"x{number}\":1}}\n"))
        .collect();
    let many = lines.concat();
    let file = Temporary::new("m.jsonl", many.as_bytes());
    let mut rows = read_attempts(&file.0).unwrap();
    assert_eq!(rows.by_ref().count(), 100);
    assert_eq!(rows.unknown().count(), 32);
}

#[test]
fn a_time_is_never_guessed() {
    let at = |time: &str| {
        let text = format!("{{\"case_id\":\"k1\",\"shop_id\":\"Kelder\",\"presented_at\":{time}}}");
        let file = Temporary::new("n.jsonl", text.as_bytes());
        let row = read_visits(&file.0).unwrap().next().unwrap().1;
        row.map(|row| row.facts.presented_at.map(|at| at.timestamp()))
            .map_err(|reject| reject.field)
    };
    for same in [
        "1704093334",
        "\"1704093334\"",
        "\"2024-01-01T07:15:34Z\"",
        "\"2024-01-01T09:15:34+02:00\"",
    ] {
        assert_eq!(at(same), Ok(Some(1_704_093_334)), "{same}");
    }
    assert_eq!(at("null"), Ok(None));
    for wrong in [
        "\"nan\"",
        "\"inf\"",
        "-1",
        "1e300",
        "\"2024-01-01\"",
        "true",
    ] {
        assert_eq!(at(wrong), Err("presented_at".into()), "{wrong}");
    }
}

#[test]
fn an_attempt_that_cannot_be_read_keeps_its_number() {
    let text = "{\"case_id\":\"k1\",\"started_at\":\"soon\",\"hours\":1,\"outcome\":\"recovered\"}\n\
        {\"case_id\":\"k1\",\"started_at\":1704566833,\"hours\":1,\"outcome\":\"recovered\"}\n";
    let file = Temporary::new("o.jsonl", text.as_bytes());
    let rows: Vec<_> = read_attempts(&file.0).unwrap().collect();
    assert!(rows[0].1.is_err());
    assert_eq!(rows[1].1.as_ref().unwrap().number, 2);
}

#[test]
fn a_gzip_file_that_broke_off_says_so_after_its_good_lines() {
    let line = "{\"case_id\":\"k1\",\"shop_id\":\"Kelder\"}\n";
    let mut packed = GzEncoder::new(Vec::new(), Compression::none());
    packed.write_all(line.repeat(2_000).as_bytes()).unwrap();
    let mut bytes = packed.finish().unwrap();
    bytes.truncate(bytes.len() / 2);
    let file = Temporary::new("p.jsonl.gz", &bytes);
    let rows: Vec<_> = read_visits(&file.0).unwrap().collect();
    assert!(rows.len() > 1);
    let (last, good) = rows.split_last().unwrap();
    assert!(good.iter().all(|row| row.1.is_ok()));
    let reject = last.1.as_ref().unwrap_err();
    assert!(reject.detail.contains("broke off"), "{reject}");
}
