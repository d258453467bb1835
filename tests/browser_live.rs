//! The page brought to a new state node by node: whatever the two states are, it ends as the new
//! one, and what was typed stays in its own field.

use gravelbar_tests::browser::{Driver, PHONE};
use gravelbar_tests::post::Post;
use gravelbar_tests::program::Trouble;

/// Draws pairs of trees from one seed, brings the first of each to the second, and tells the first
/// pair that doesn't end alike or loses a typed value.
const PAIRS: &str = r#"
const done = arguments[0];
import('/assets/live.js').then(({ bring }) => {
  let seed = 20260818;
  const draw = (n) => { seed = (seed * 48271) % 2147483647; return seed % n; };
  const tags = ['div', 'p', 'li', 'span'];
  const classes = ['', 'go', 'steps', 'is-open'];
  const tree = (depth) => {
    const parent = document.createElement('div');
    const named = new Set();
    for (let i = draw(6); i > 0; i -= 1) {
      if (draw(4) === 0) {
        // Two texts side by side are one once written out.
        if (parent.lastChild?.nodeType !== Node.TEXT_NODE) parent.append(`text ${draw(5)}`);
        continue;
      }
      const kind = draw(7);
      const child = document.createElement(kind === 0 ? 'input' : tags[draw(tags.length)]);
      const name = `k${draw(6)}`;
      if (kind === 0) {
        if (named.has(`f${name}`)) continue;
        named.add(`f${name}`);
        child.name = name;
      } else {
        if (draw(2) === 0 && !named.has(name)) { child.dataset.key = name; named.add(name); }
        if (draw(2) === 0) child.className = classes[draw(classes.length)];
        if (depth > 0) child.append(...tree(depth - 1).childNodes);
      }
      parent.append(child);
    }
    return parent;
  };
  for (let pair = 0; pair < 3000; pair += 1) {
    const old = tree(2), fresh = tree(2);
    const before = old.innerHTML, typed = new Map();
    for (const field of old.children) {
      if (field.name) { field.value = `typed ${field.name}`; typed.set(field.name, field); }
    }
    bring(old, fresh);
    if (old.innerHTML !== fresh.innerHTML) return done(`${before}\n${fresh.innerHTML}\n${old.innerHTML}`);
    for (const field of old.children) {
      const was = typed.get(field.name);
      if (was && (was !== field || field.value !== `typed ${field.name}`)) return done(`lost ${field.name}: ${before}\n${fresh.innerHTML}`);
    }
  }
  done('all alike');
}, (error) => done(String(error)));
"#;

#[tokio::test(flavor = "multi_thread")]
async fn any_page_brought_to_any_other_ends_as_that_one_and_keeps_what_was_typed()
-> Result<(), Trouble> {
    let driver = Driver::start()?;
    let mut post = Post::open(&driver, "A", PHONE).await?;
    post.start().await?;
    assert_eq!(post.page.ask_later(PAIRS).await?, "all alike");
    Ok(())
}
