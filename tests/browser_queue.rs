//! Taps made while the program can't answer: kept on the page, sent once, counted once.

use gravelbar_tests::browser::{Driver, PHONE, TABLET};
use gravelbar_tests::post::{Post, tallied, until_summary};
use gravelbar_tests::program::Trouble;
use serde_json::json;

#[tokio::test(flavor = "multi_thread")]
async fn taps_outlive_a_frozen_program_a_closed_page_and_a_killed_program() -> Result<(), Trouble> {
    let driver = Driver::start()?;
    let mut post = Post::open(&driver, "C", PHONE).await?;
    post.start().await?;
    post.be("Hollis Fenn").await?;
    post.take("netter").await?;
    post.take("crew lead").await?;
    post.go("lead").await?;
    post.page.tap_words("Open pass 1").await?;
    post.go("tally").await?;
    post.page
        .until("return document.querySelector('.plate.is-open')")
        .await?;
    post.count("slimy sculpin", 2).await?;
    until_summary(&post, "two sculpin", |s| tallied(s, "slimy sculpin") == 2).await?;

    // The program hangs with the first tap on its way; the page is closed over the others.
    post.device.freeze()?;
    post.count("slimy sculpin", 5).await?;
    let waiting = "return document.querySelector(\"[data-species='slimy sculpin'] .unsaved\")\
                   .textContent === '+5 not yet saved'";
    post.page.until(waiting).await?;
    post.page.leave().await?;
    post.device.thaw()?;
    let tally = format!("{}/tally?pass=main/1", post.visit);
    post.page.enter(&post.device).await?;
    post.page.go(&tally).await?;
    until_summary(&post, "seven sculpin", |s| tallied(s, "slimy sculpin") == 7).await?;

    // The program is killed; taps made without it wait on the page, a reload included.
    post.device.kill()?;
    post.count("slimy sculpin", 3).await?;
    let alone = "return document.getElementById('unsent').innerText.includes('Not saved yet: 3')";
    post.page.until(alone).await?;
    post.device.restart()?;
    post.page.enter(&post.device).await?;
    post.page.go(&tally).await?;
    until_summary(&post, "ten sculpin", |s| tallied(s, "slimy sculpin") == 10).await?;
    // Nothing is sent twice: the number stays while the queue is empty.
    let idle = "return document.querySelectorAll('#taps [data-state=saving]').length === 0";
    post.page.until(idle).await?;
    let mine = "[data-species='slimy sculpin'] .mine";
    post.page.shows(mine, "10").await?;
    let left = post
        .page
        .ask("return Object.keys(localStorage).filter((k) => k.includes('/act/')).length")
        .await?;
    assert_eq!(left, json!(0));
    assert_eq!(tallied(&post.summary().await?, "slimy sculpin"), 10);
    Ok(())
}

#[tokio::test(flavor = "multi_thread")]
async fn a_half_typed_fish_outlives_a_reload_and_another_pass() -> Result<(), Trouble> {
    let driver = Driver::start()?;
    let mut post = Post::open(&driver, "D", TABLET).await?;
    post.start().await?;
    post.be("Sabine Quell").await?;
    post.take("crew lead").await?;
    post.go("lead").await?;
    post.page.tap_words("Open pass 1").await?;
    post.go("work-up").await?;
    let pinned = "return location.search === '?pass=main/1'";
    post.page.until(pinned).await?;
    post.page
        .tap(".species-list [data-key='creek chub']")
        .await?;
    post.page.type_into("[name='fish.length_mm']", "14").await?;

    // Records of others arrive meanwhile: another pass, and a species that the list lacked.
    let address = format!("{}/act", post.visit);
    let fish =
        json!({"pass": "main/1", "species": "burbot", "length_mm": 310.0, "length_type": "total"});
    for (n, fact) in [
        json!({"pass_closed": {"pass": "main/1"}}),
        json!({"pass_opened": {"pass": "main/2"}}),
        json!({"fish": fish}),
    ]
    .into_iter()
    .enumerate()
    {
        let act =
            json!({"tap_id": format!("other-{n:03}"), "by": "Mirelle Ashgrove", "facts": [fact]});
        let saved = post.page.post(&address, &act).await?;
        assert!(saved["records"].is_array(), "{saved}");
    }
    post.page.shows("[data-key='burbot'] small", "1").await?;

    let typed = "const f = document.getElementById('fish').elements; \
                 return [f['fish.species'].value, f['fish.length_mm'].value, f['fish.mass_g'].value, \
                 JSON.parse(document.getElementById('fish').dataset.facts)[0].fish.pass]";
    let half = json!(["creek chub", "14", "", "main/1"]);
    assert_eq!(post.page.ask(typed).await?, half);
    post.go("work-up?pass=main/1").await?;
    assert_eq!(post.page.ask(typed).await?, half);
    Ok(())
}
