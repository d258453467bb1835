//! Names that are scripts: text on every page, nothing run, nothing asked of another place.

use gravelbar_tests::browser::{Driver, PHONE};
use gravelbar_tests::post::Post;
use gravelbar_tests::program::Trouble;
use serde_json::{Value, json};

/// Tries to run something, to load something, or to break out of an attribute.
fn payloads(canary: &str) -> Vec<String> {
    let forms = [
        "<script>alert({n})</script>",
        "<img src=x onerror=alert({n})>",
        "<img src=//{c}/{n}>",
        "\"><svg onload=alert({n})>",
        "'><script src=//{c}/{n}></script>",
        "<iframe src=//{c}/{n}></iframe>",
        "javascript:alert({n})",
        "</textarea><script>alert({n})</script>",
        "{{{n}}}${alert({n})}",
        "&lt;script&gt;alert({n})&lt;/script&gt;",
        "<a href=//{c}/{n}>x</a>",
        "\" autofocus onfocus=alert({n}) x=\"",
        "<!--><script>alert({n})</script>",
    ];
    (0..65)
        .map(|n| {
            forms[n % forms.len()]
                .replace("{n}", &n.to_string())
                .replace("{c}", canary)
        })
        .collect()
}

#[tokio::test(flavor = "multi_thread")]
async fn names_that_are_scripts_stay_text_on_every_page() -> Result<(), Trouble> {
    let canary = std::net::TcpListener::bind("127.0.0.1:0")?;
    canary.set_nonblocking(true)?;
    let payloads = payloads(&canary.local_addr()?.to_string());
    let driver = Driver::start()?;
    let mut post = Post::open(&driver, "<script>alert('device')</script>", PHONE).await?;
    post.start().await?;
    let me = "<img src=x onerror=alert(0)>";
    post.be(me).await?;
    post.take("crew lead").await?;
    let act = |n: usize, facts: Value, why: &str| {
        let tap_id = format!("payload-{n:05}");
        json!({"tap_id": tap_id, "by": me, "why": why, "facts": facts})
    };
    let address = format!("{}/act", post.visit);
    let mut n = 0;
    for payload in &payloads {
        let facts = json!([
            {"joined": {"person": payload}},
            {"tally": {"pass": "main/1", "species": payload, "n": 1, "bucket": payload}},
            {"fish": {"pass": "main/1", "species": payload, "marks": payload, "anomalies": payload}},
            {"death": {"pass": "main/1", "species": payload, "n": 1, "stage": "net"}},
            {"note": {"text": payload}},
            {"incident": {"kind": "fault", "text": payload}},
            {"decision": {"question": payload, "choice": payload}},
            {"gear_event": {"pack": payload, "event": "fault", "words": payload}},
            {"reach_length": {"channel": payload, "length_m": 10.0}},
            {"untick": {"item": "gloves", "person": me}},
            {"bucket": {"label": payload, "pass": "main/1", "moment": "first_fish"}},
        ]);
        n += 1;
        let saved = post.page.post(&address, &act(n, facts, payload)).await?;
        assert!(saved["records"].is_array(), "{payload}: {saved}");
    }
    post.page
        .post(&address, &act(0, json!([{"stop": {}}]), &payloads[0]))
        .await?;

    let origin = format!("http://{}/", post.device.address());
    let mut seen = String::new();
    let life = post.summary().await?["flags"][0]["about"][0]
        .as_str()
        .unwrap_or_default()
        .to_owned();
    let record = format!("record/{life}");
    for page in [
        "me",
        "tally",
        "output",
        "safety",
        "work-up?all=yes",
        "lead",
        "reach",
        "settle",
        "sign",
        &record,
    ] {
        post.go(page).await?;
        assert!(!post.page.has_alert().await, "{page} ran a script");
        let own = "return [...document.querySelectorAll('script, img, iframe, object, embed')]\
                   .filter((e) => e.src !== new URL('/assets/page.js', location.href).href).length \
                   + [...document.querySelectorAll('*')].filter((e) => \
                   [...e.attributes].some((a) => a.name.startsWith('on'))).length";
        assert_eq!(
            post.page.ask(own).await?,
            json!(0),
            "{page} holds foreign elements"
        );
        let asked = post
            .page
            .ask("return performance.getEntriesByType('resource').map((e) => e.name)")
            .await?;
        for address in asked.as_array().into_iter().flatten() {
            assert!(
                address.as_str().is_some_and(|a| a.starts_with(&origin)),
                "{page} asked for {address}"
            );
        }
        let text = post
            .page
            .ask("return document.documentElement.textContent")
            .await?;
        seen.push_str(text.as_str().unwrap_or_default());
    }
    for payload in &payloads {
        assert!(
            seen.contains(payload.as_str()) || seen.contains(&payload.to_lowercase()),
            "{payload} is nowhere"
        );
    }
    assert!(
        canary.accept().is_err(),
        "something was asked of another place"
    );
    Ok(())
}
