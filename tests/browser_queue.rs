//! Taps made while the program can't answer: kept on the page, sent once, counted once.

use gravelbar_tests::browser::{Driver, PHONE};
use gravelbar_tests::device::Trouble;
use gravelbar_tests::post::{Post, tallied, until_summary};
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
    post.page.until("return document.querySelectorAll('#taps [data-state=saving]').length === 0 && document.querySelector(\"[data-species='slimy sculpin'] .mine\").textContent === '10'").await?;
    let left = post
        .page
        .ask("return Object.keys(localStorage).filter((k) => k.includes('/act/')).length")
        .await?;
    assert_eq!(left, json!(0));
    assert_eq!(tallied(&post.summary().await?, "slimy sculpin"), 10);
    Ok(())
}
