//! The door of the pages, tried by hand-written requests: foreign names, foreign pages, no secret,
//! forms, floods.

use std::io::{Read, Write};
use std::net::TcpStream;

use gravelbar_tests::device::Device;
use gravelbar_tests::program::Trouble;

struct Answer {
    status: u16,
    head: String,
    body: String,
}

impl Answer {
    fn header(&self, name: &str) -> Option<&str> {
        self.head
            .lines()
            .filter_map(|line| line.split_once(": "))
            .find(|(n, _)| n.eq_ignore_ascii_case(name))
            .map(|(_, value)| value)
    }
}

/// Sends one request as it is written and reads until the connection is closed.
fn ask(
    device: &Device,
    line: &str,
    headers: &[(&str, &str)],
    body: &str,
) -> Result<Answer, Trouble> {
    let mut stream = TcpStream::connect(device.address())?;
    let mut text = format!(
        "{line} HTTP/1.1\r\nConnection: close\r\nContent-Length: {}\r\n",
        body.len()
    );
    if !headers
        .iter()
        .any(|(name, _)| name.eq_ignore_ascii_case("host"))
    {
        text.push_str(&format!("Host: {}\r\n", device.address()));
    }
    for (name, value) in headers {
        text.push_str(&format!("{name}: {value}\r\n"));
    }
    text.push_str("\r\n");
    stream.write_all(text.as_bytes())?;
    // A server that has heard enough may close before the body is out.
    stream.write_all(body.as_bytes()).ok();
    let mut answer = String::new();
    stream.read_to_string(&mut answer)?;
    let (head, body) = answer.split_once("\r\n\r\n").ok_or("no answer")?;
    let status = head.split(' ').nth(1).ok_or("no status")?.parse()?;
    Ok(Answer {
        status,
        head: head.to_owned(),
        body: body.to_owned(),
    })
}

/// The cookie of a browser that has entered.
fn entered(device: &Device) -> Result<String, Trouble> {
    let (_, path) = device.url().split_once(device.address()).ok_or("no path")?;
    let answer = ask(device, &format!("GET {path}"), &[], "")?;
    assert_eq!(answer.status, 303);
    assert_eq!(answer.header("location"), Some("/"));
    let cookie = answer.header("set-cookie").ok_or("no cookie")?;
    for needed in ["HttpOnly", "SameSite=Strict", "Path=/"] {
        assert!(cookie.contains(needed), "{cookie}");
    }
    let port = device.address().rsplit(':').next().unwrap_or_default();
    assert!(
        cookie.starts_with(&format!("gravelbar_{port}=")),
        "{cookie}"
    );
    Ok(cookie.split(';').next().unwrap_or_default().to_owned())
}

#[test]
fn every_answer_forbids_what_comes_from_elsewhere() -> Result<(), Trouble> {
    let device = Device::start("A")?;
    let cookie = entered(&device)?;
    let inside = [("Cookie", cookie.as_str())];
    for (line, headers) in [
        ("GET /", &inside[..]),
        ("GET /assets/page.js", &inside[..]),
        ("GET /nowhere", &inside[..]),
        ("GET /", &[][..]),
        ("POST /start", &inside[..]),
    ] {
        let answer = ask(&device, line, headers, "")?;
        let policy = answer.header("content-security-policy").unwrap_or_default();
        for needed in [
            "default-src 'none'",
            "script-src 'self'",
            "connect-src 'self'",
            "frame-ancestors 'none'",
            "form-action 'none'",
            "base-uri 'none'",
        ] {
            assert!(policy.contains(needed), "{line}: {policy}");
        }
        assert!(!policy.contains("unsafe"), "{policy}");
        for (name, value) in [
            ("x-content-type-options", "nosniff"),
            ("referrer-policy", "no-referrer"),
            ("cross-origin-opener-policy", "same-origin"),
            ("cross-origin-resource-policy", "same-origin"),
            ("cache-control", "no-store"),
        ] {
            assert_eq!(answer.header(name), Some(value), "{line}");
        }
        assert!(answer.header("permissions-policy").is_some());
        assert!(answer.header("access-control-allow-origin").is_none());
    }
    Ok(())
}

#[test]
fn only_this_devices_own_pages_get_in() -> Result<(), Trouble> {
    let device = Device::start("A")?;
    let cookie = entered(&device)?;
    let here = format!("http://{}", device.address());
    let json = ("Content-Type", "application/json");
    let inside = ("Cookie", cookie.as_str());
    let name = r#"{"name":"taken over"}"#;

    assert_eq!(ask(&device, "GET /", &[inside], "")?.status, 200);
    assert_eq!(ask(&device, "GET /", &[], "")?.status, 403);
    assert_eq!(ask(&device, "GET /enter?token=guess", &[], "")?.status, 403);
    assert_eq!(
        ask(&device, "GET /", &[("Cookie", "gravelbar_1=x")], "")?.status,
        403
    );
    for (headers, status) in [
        (vec![inside, json, ("Host", "rebound.example")], 421),
        (
            vec![inside, json, ("Origin", "http://elsewhere.example")],
            403,
        ),
        (vec![inside, json, ("Origin", "null")], 403),
        (vec![inside, json, ("Sec-Fetch-Site", "cross-site")], 403),
        (vec![inside, json, ("Sec-Fetch-Site", "same-site")], 403),
        (
            vec![inside, ("Content-Type", "text/plain"), ("Origin", &here)],
            415,
        ),
        (
            vec![
                inside,
                ("Content-Type", "application/x-www-form-urlencoded"),
            ],
            415,
        ),
        (vec![inside], 415),
        (vec![json, ("Origin", &here)], 403),
    ] {
        let answer = ask(&device, "POST /device-name", &headers, name)?;
        assert_eq!(answer.status, status, "{headers:?}");
    }
    let page = ask(&device, "GET /", &[inside], "")?;
    assert!(
        !page.body.contains("taken over"),
        "a foreign request changed something"
    );

    let own = [
        inside,
        json,
        ("Origin", here.as_str()),
        ("Sec-Fetch-Site", "same-origin"),
    ];
    assert_eq!(
        ask(
            &device,
            "POST /device-name",
            &own,
            r#"{"name":"bank tablet"}"#
        )?
        .status,
        200
    );
    assert!(
        ask(&device, "GET /", &[inside], "")?
            .body
            .contains("bank tablet")
    );
    Ok(())
}

#[test]
fn nonsense_is_refused_in_plain_words() -> Result<(), Trouble> {
    let device = Device::start("A")?;
    let cookie = entered(&device)?;
    let headers = [
        ("Cookie", cookie.as_str()),
        ("Content-Type", "application/json"),
    ];
    let plan = r#"{"plan_text":"{\"version\":1,\"site\":\"QB-03\",\"place\":\"Quillet Brook\",\"date\":\"2026-08-18\",\"passes\":3}"}"#;
    let started = ask(&device, "POST /start", &headers, plan)?;
    let next: serde_json::Value = serde_json::from_str(&started.body)?;
    let visit = next["next"]
        .as_str()
        .unwrap_or_default()
        .trim_end_matches("/me")
        .to_owned();
    let act = format!("POST {visit}/act");

    let long = format!(r#"{{"name":"{}"}}"#, "x".repeat(70 * 1024));
    let unnamed = r#"{"tap_id":"tap-000001","by":" ","facts":[{"stop":{}}]}"#;
    let negative = r#"{"tap_id":"tap-000002","by":"Dov","facts":[{"tally":{"pass":"main/1","species":"dace","n":0}}]}"#;
    let unknown = r#"{"tap_id":"tap-000003","by":"Dov","facts":[{"wish":{}}]}"#;
    let no_pass = r#"{"tap_id":"tap-000004","by":"Dov","facts":[{"pass_opened":{"pass":"two"}}]}"#;
    let heavy = r#"{"tap_id":"tap-000005","by":"Dov","facts":[{"fish":{"pass":"main/1","species":"dace","mass_g":-3}}]}"#;
    for (line, body, words) in [
        ("POST /device-name", long.as_str(), "more than 64 KiB"),
        (
            "POST /start",
            r#"{"plan_text":"not a plan"}"#,
            "not a visit plan",
        ),
        ("POST /join", r#"{"invitation":"nonsense"}"#, ""),
        (&act, unnamed, "name"),
        (&act, negative, "between 1 and 100000 fish"),
        (&act, unknown, "wish"),
        (&act, no_pass, "write channel and number"),
        (&act, heavy, "the mass can't be -3 g"),
        (&act, "[1,2", "can't be read"),
    ] {
        let answer = ask(&device, line, &headers, body)?;
        assert_eq!(answer.status, 422, "{line} {words}: {}", answer.body);
        let said: serde_json::Value = serde_json::from_str(&answer.body)?;
        let said = said["words"].as_str().unwrap_or_default();
        assert!(!said.is_empty() && said.contains(words), "{line}: {said}");
        if line == act {
            assert!(!said.contains(" at line "), "{said}");
        }
    }
    let summary = ask(
        &device,
        &format!("GET {visit}/summary.json"),
        &headers[..1],
        "",
    )?;
    let summary: serde_json::Value = serde_json::from_str(&summary.body)?;
    assert_eq!(summary["passes"], serde_json::json!([]));
    Ok(())
}

#[test]
fn the_crews_book_has_the_same_door_and_the_same_plain_words() -> Result<(), Trouble> {
    let device = Device::start("A")?;
    let cookie = entered(&device)?;
    let inside = ("Cookie", cookie.as_str());
    let json = ("Content-Type", "application/json");
    let found = r#"{"crew":"Quillet crew","person":"Mirelle Ashgrove"}"#;
    for headers in [
        vec![json],
        vec![inside, json, ("Origin", "http://elsewhere.example")],
        vec![inside, json, ("Sec-Fetch-Site", "cross-site")],
    ] {
        assert_eq!(ask(&device, "POST /crew", &headers, found)?.status, 403);
    }
    assert_eq!(ask(&device, "POST /crew", &[inside], found)?.status, 415);
    let founded = ask(&device, "POST /crew", &[inside, json], found)?;
    assert_eq!(founded.status, 200, "{}", founded.body);
    let next: serde_json::Value = serde_json::from_str(&founded.body)?;
    let crew = next["next"].as_str().unwrap_or_default().to_owned();

    for page in [
        crew.clone(),
        format!("{crew}/lists"),
        format!("{crew}/let-in"),
    ] {
        let line = format!("GET {page}");
        assert_eq!(ask(&device, &line, &[], "")?.status, 403, "{page}");
        let shown = ask(&device, &line, &[inside], "")?;
        assert_eq!(shown.status, 200, "{page}");
        assert!(shown.body.contains("Quillet crew"), "{page}");
        assert!(shown.header("content-security-policy").is_some());
    }
    let nowhere = ask(
        &device,
        "GET /crew/0000000000000000000000000g",
        &[inside],
        "",
    )?;
    assert_eq!(nowhere.status, 404);

    let act = format!("POST {crew}/act");
    let own = r#"{"tap_id":"crew-000001","doing":"site","code":"QB-03","place":"Quillet Brook","then":"lists"}"#;
    assert_eq!(ask(&device, &act, &[json], own)?.status, 403);
    assert_eq!(ask(&device, &act, &[inside, json], own)?.status, 200);
    for (body, words) in [
        (r#"{"tap_id":"crew-000002","doing":"wish"}"#, "wish"),
        (
            r#"{"tap_id":"crew-000003","doing":"site","code":" ","place":"x"}"#,
            "the site code can't be kept",
        ),
        (
            r#"{"tap_id":"crew-000004","doing":"permit","name":"p","from":"soon","until":"2026-12-31","species":""}"#,
            "is no day",
        ),
        (
            r#"{"tap_id":"crew-000005","doing":"limits","name":"l","limit_profiles":"nobody's"}"#,
            "no limit profile is called",
        ),
        (
            r#"{"tap_id":"crew-000006","doing":"lost","key":"00"}"#,
            "64 hexadecimal digits",
        ),
        (r#"{"tap_id":"x","doing":"site"}"#, ""),
    ] {
        let answer = ask(&device, &act, &[inside, json], body)?;
        assert_eq!(answer.status, 422, "{body}: {}", answer.body);
        let said: serde_json::Value = serde_json::from_str(&answer.body)?;
        let said = said["words"].as_str().unwrap_or_default();
        assert!(!said.is_empty() && said.contains(words), "{body}: {said}");
    }
    // What the book keeps stands in the start form.
    let start = ask(&device, "GET /?site=QB-03", &[inside], "")?;
    assert!(start.body.contains(r#"value="Quillet Brook""#));
    Ok(())
}
