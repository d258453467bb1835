//! How a device comes to a visit with nothing but the two devices at hand.

use std::time::Duration;

use gravelbar_tests::air::Air;
use gravelbar_tests::node::Nodes;
use gravelbar_tests::program::Trouble;
use serde_json::json;

#[test]
fn a_newcomer_finds_the_inviter_by_its_label_and_types_six_digits() -> Result<(), Trouble> {
    let air = Air::open()?;
    let mut nodes = Nodes::lead(air.place()?)?;
    nodes.tap(0, 5)?;
    let newcomer = nodes.start(air.place()?);
    let (digits, label) = nodes.show_code()?;
    let typed = json!({ "code": digits, "label": label });
    // The list is told while the page is looked at, and the person types meanwhile.
    let nodes = &nodes;
    let joined = nodes.all[newcomer].listen("/joinable", Duration::from_secs(30), |event| {
        let labels: Vec<String> = serde_json::from_str(event).unwrap_or_default();
        let join = || nodes.post(newcomer, "/join-code", &typed);
        labels.contains(&label).then(|| Some(join()))
    })?;
    match joined {
        Some(joined) => assert!(joined?["next"].is_string()),
        None if air.is_real() => return Err(format!("{label} was not heard").into()),
        None => {
            println!("No multicast on this machine's loopback: joining by label is not shown.");
            return Ok(());
        }
    }
    nodes.all_agree()?;
    // The code was for one device: nothing is shown or said any more.
    let page = nodes.all[0].get(&nodes.path("let-in"))?.body;
    assert!(
        !page.contains("id=\"digits\""),
        "the used code is still shown"
    );
    Ok(())
}

#[test]
fn where_the_hotspot_lets_no_multicast_through_the_address_is_typed() -> Result<(), Trouble> {
    let air = Air::open()?;
    if !air.block_multicast()? {
        println!("On loopback multicast can't be blocked: only joining by address is shown.");
    }
    let place = air.place()?;
    let called = place.address().to_string();
    let mut nodes = Nodes::lead(place)?;
    nodes.tap(0, 5)?;
    let newcomer = nodes.start(air.place()?);
    let (digits, label) = nodes.show_code()?;
    if air.is_real() {
        let seen = nodes.labels_seen(newcomer, Duration::from_secs(4))?;
        assert!(seen.is_empty(), "{seen:?} came through");
        let by_label = json!({ "code": digits, "label": label });
        let refused = nodes.post(newcomer, "/join-code", &by_label);
        let words = refused.err().map(|e| e.to_string()).unwrap_or_default();
        assert!(words.contains("type the address"), "{words}");
    }
    let by_address = json!({ "code": digits, "address": called });
    nodes.post(newcomer, "/join-code", &by_address)?;
    nodes.tap(newcomer, 5)?;
    nodes.all_agree()?;
    Ok(())
}

#[test]
fn three_wrong_codes_end_it_and_the_page_says_why() -> Result<(), Trouble> {
    let air = Air::open()?;
    let place = air.place()?;
    let called = place.address().to_string();
    let mut nodes = Nodes::lead(place)?;
    let newcomer = nodes.start(air.place()?);
    let (digits, _) = nodes.show_code()?;
    let number: u32 = digits.replace(' ', "").parse()?;
    let wrong = format!("{:06}", (number + 1) % 1_000_000);
    for (code, expected) in [
        (&wrong, "the code is wrong"),
        (&wrong, "the code is wrong"),
        (&wrong, "the code is wrong"),
        (&digits, "no code open"),
    ] {
        let typed = json!({ "code": code, "address": called });
        let refused = nodes.post(newcomer, "/join-code", &typed);
        let words = refused.err().map(|e| e.to_string()).unwrap_or_default();
        assert!(words.contains(expected), "{words}");
    }
    Ok(())
}
