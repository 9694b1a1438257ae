//! The report in a browser: the figure turns, no host is asked for anything, and pictures stand in where it cannot turn.

use std::path::Path;

use serde_json::Value;
use statuary::run_record::RunRecord;

use super::stages_report::{equipment, figure, page_of, run as record, small};
use super::support::browser::Browser;
use super::support::{folder, json, small_scan, statuary, stderr, text};

const CANVAS: &str = "#turning canvas";
const READY: &str = "document.querySelector('#turning').dataset.drawn > 0";

fn run(out: &Path) -> RunRecord {
    let (scan, to) = (text(&small_scan()), text(out));
    let output = statuary(&["run", &scan, "--pipeline", "half-size", "--out", &to]);
    assert!(output.status.success(), "{}", stderr(&output));
    serde_json::from_value(json(&out.join("run.json"))).unwrap()
}

/// Share of pixels that differ plainly.
fn differing(a: &image::RgbImage, b: &image::RgbImage) -> f64 {
    assert_eq!(a.dimensions(), b.dimensions());
    let differs = |(a, b): (&image::Rgb<u8>, &image::Rgb<u8>)| (0..3).any(|i| a.0[i].abs_diff(b.0[i]) > 12);
    a.pixels().zip(b.pixels()).filter(|pair| differs(*pair)).count() as f64 / a.pixels().len() as f64
}

fn shades(picture: &image::RgbImage) -> usize {
    picture.pixels().map(|pixel| pixel.0).collect::<std::collections::BTreeSet<_>>().len()
}

/// Whether an element takes part in the layout.
fn is_shown(browser: &mut Browser, selector: &str) -> bool {
    browser.value(&format!("document.querySelector('{selector}').getClientRects().length > 0")) == true
}

/// Waits for the frames that an input asked for.
fn settle(browser: &mut Browser) {
    browser.value("new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(() => done(true))))");
}

/// Lets the mouse do something a little above the middle of the view.
fn point_at_the_belly(browser: &mut Browser, what: &[&str]) {
    let at = browser.value(
        "(() => { const r = document.querySelector('#turning canvas').getBoundingClientRect();
           return [r.left + r.width / 2, r.top + 0.4 * r.height]; })()",
    );
    for kind in what {
        let button = if *kind == "mouseMoved" { "none" } else { "left" };
        let event = serde_json::json!({ "type": kind, "x": at[0], "y": at[1], "button": button, "clickCount": 1 });
        browser.call("Input.dispatchMouseEvent", &event);
    }
}

/// No word on the console, no error, no request but for the page itself.
fn is_quiet(browser: &Browser) {
    for event in &browser.events {
        let method = event["method"].as_str().unwrap_or_default();
        let loud = ["Runtime.consoleAPICalled", "Runtime.exceptionThrown", "Network.webSocketCreated"];
        assert!(!loud.contains(&method), "{event}");
        if method == "Log.entryAdded" {
            // Drivers tell developers of slow calls; nothing of that is about the page.
            let entry = &event["params"]["entry"];
            assert!(entry["level"] != "error" && entry["source"] != "security", "{event}");
        }
        if method == "Network.requestWillBeSent" {
            let address = event["params"]["request"]["url"].as_str().unwrap();
            assert!(address.starts_with("file:") && address.ends_with("report.html") || address.starts_with("data:"));
        }
    }
    assert!(browser.events.iter().any(|event| event["method"] == "Network.requestWillBeSent"));
}

/// The numbers of tool changes in the page's table of parts, without blanks.
fn changes_in_the_table(browser: &mut Browser) -> Value {
    browser.value(
        "(() => {
          const table = document.querySelector('#parts table');
          const column = [...table.tHead.rows[0].cells].findIndex((cell) => cell.textContent === 'Changes');
          return [...table.tBodies[0].rows].map((row) => Number(row.cells[column].textContent.replace(/\\s/g, '')));
        })()",
    )
}

#[test]
fn the_figure_turns_and_comes_apart() {
    let folder = folder();
    let out = folder.path().join("run");
    let record = run(&out);
    assert!(record.parts.len() > 1);
    let mut browser = Browser::open(&out.join("report.html"), [1280, 900], &[]);
    browser.until(READY);
    let changes: Vec<usize> = record.parts.iter().map(|part| part.tool_changes).collect();
    assert_eq!(changes_in_the_table(&mut browser), serde_json::json!(changes));
    assert!(is_shown(&mut browser, CANVAS) && !is_shown(&mut browser, ".apart.turned"));
    browser.value("document.querySelector('#turning').scrollIntoView()");
    settle(&mut browser);
    let start = browser.picture(CANVAS);
    assert!(shades(&start) > 500, "{} shades", shades(&start));

    let pull = |to: u32| {
        format!(
            "(() => {{ const s = document.querySelector('#turning input[type=range]'); s.value = {to};
                 s.dispatchEvent(new Event('input', {{ bubbles: true }})); }})()"
        )
    };
    browser.value(&pull(100));
    settle(&mut browser);
    let apart = browser.picture(CANVAS);
    assert!(differing(&start, &apart) > 0.05, "{} of all pixels", differing(&start, &apart));
    browser.value(&pull(0));

    browser.value("document.querySelector('#turning canvas').focus()");
    (0..4).for_each(|_| browser.press("ArrowRight"));
    settle(&mut browser);
    let turned = browser.picture(CANVAS);
    assert!(differing(&start, &turned) > 0.03, "{} of all pixels", differing(&start, &turned));
    browser.press("Home");
    std::thread::sleep(std::time::Duration::from_millis(600));
    settle(&mut browser);
    let again = browser.picture(CANVAS);
    assert!(differing(&start, &again) < 0.002, "{} of all pixels", differing(&start, &again));

    let drawn = browser.value("document.querySelector('#turning').dataset.drawn");
    std::thread::sleep(std::time::Duration::from_millis(500));
    assert_eq!(drawn, browser.value("document.querySelector('#turning').dataset.drawn"), "it draws for nothing");
    is_quiet(&browser);
}

#[test]
fn every_way_of_showing_and_every_part_can_be_chosen() {
    let folder = folder();
    let out = folder.path().join("run");
    let record = run(&out);
    let mut browser = Browser::open(&out.join("report.html"), [390, 800], &[]);
    browser.until(READY);
    let count =
        |browser: &mut Browser, what: &str| browser.value(&format!("document.querySelectorAll('{what}').length"));
    let radios = count(&mut browser, "#turning input[type=radio]").as_u64().unwrap();
    assert!(radios >= 3, "{radios} ways");
    assert_eq!(count(&mut browser, "#turning [data-part]"), record.parts.len());
    browser.value("document.querySelector('#turning').scrollIntoView()");
    let mut seen = Vec::new();
    for way in 0..radios {
        browser.value(&format!("document.querySelectorAll('#turning input[type=radio]')[{way}].click()"));
        settle(&mut browser);
        seen.push(browser.picture(CANVAS));
    }
    for (a, b) in (1..seen.len()).flat_map(|b| (0..b).map(move |a| (a, b))) {
        assert!(differing(&seen[a], &seen[b]) > 0.01, "ways {a} and {b} look alike");
    }
    // The figure's belly is under the mouse: it is named, and picked by a click.
    let named = "document.querySelector('#turning output').textContent";
    point_at_the_belly(&mut browser, &["mouseMoved"]);
    browser.until(&format!("{named} !== ''"));
    point_at_the_belly(&mut browser, &["mousePressed", "mouseReleased"]);
    let picked = browser.value("document.querySelector('#turning [aria-pressed=true]').dataset.name");
    assert!(record.parts.iter().any(|part| picked == part.name.as_str()), "{picked}");
    assert_eq!(browser.value(named), picked);
    browser.press("Escape");
    assert_eq!(count(&mut browser, "#turning [aria-pressed=true]"), 0);
    settle(&mut browser);
    assert!(differing(seen.last().unwrap(), &browser.picture(CANVAS)) < 0.002);

    browser.value("document.querySelector('#turning [data-part=\"0\"]').click()");
    settle(&mut browser);
    assert!(differing(seen.last().unwrap(), &browser.picture(CANVAS)) > 0.01);
    let pressed = "document.querySelectorAll('#turning [aria-pressed=true]').length";
    assert_eq!(browser.value(pressed), 1);
    assert_eq!(browser.value(named), record.parts[0].name.as_str());
    is_quiet(&browser);
    let wide = browser.value("document.documentElement.scrollWidth");
    assert!(wide.as_u64().unwrap() <= 390, "the page is {wide} pixels wide on a phone");
}

#[test]
fn a_figure_in_one_piece_turns_too() {
    let mut whole = figure();
    whole.parts.truncate(1);
    whole.joints.clear();
    whole.glue_order.clear();
    let folder = folder();
    let page = folder.path().join("report.html");
    std::fs::write(&page, page_of(&small(), &whole, &record(), &equipment(4))).unwrap();
    let mut browser = Browser::open(&page, [1280, 900], &[]);
    browser.until(READY);
    browser.value("document.querySelector('#turning').scrollIntoView()");
    let start = browser.picture(CANVAS);
    point_at_the_belly(&mut browser, &["mouseMoved", "mousePressed", "mouseReleased"]);
    browser.press("ArrowLeft");
    settle(&mut browser);
    assert!(differing(&start, &browser.picture(CANVAS)) > 0.01);
    assert_eq!(browser.value("document.querySelectorAll('#turning [data-part], #turning [type=range]').length"), 0);
    std::thread::sleep(std::time::Duration::from_millis(200));
    is_quiet(&browser);
}

#[test]
fn pictures_stand_in_on_paper_without_webgl_and_when_the_card_is_lost() {
    let folder = folder();
    let out = folder.path().join("run");
    run(&out);
    let page = out.join("report.html");
    let mut browser = Browser::open(&page, [1280, 900], &[]);
    browser.until(READY);
    browser.call("Emulation.setEmulatedMedia", &serde_json::json!({ "media": "print" }));
    assert!(is_shown(&mut browser, ".apart.turned img") && !is_shown(&mut browser, CANVAS));
    browser.call("Emulation.setEmulatedMedia", &serde_json::json!({ "media": "screen" }));
    assert!(!is_shown(&mut browser, ".apart.turned img") && is_shown(&mut browser, CANVAS));
    let card = "document.querySelector('canvas').getContext('webgl2').getExtension('WEBGL_lose_context')";
    browser.value(&format!("{{ window.card = {card}; window.card.loseContext(); }}"));
    browser.until("document.querySelector('#turning').hidden");
    assert!(is_shown(&mut browser, ".apart.turned img"));
    browser.value("document.querySelector('#turning').dataset.drawn = 0");
    browser.value("window.card.restoreContext()");
    browser.until(READY);
    assert!(is_shown(&mut browser, CANVAS) && !is_shown(&mut browser, ".apart.turned img"));

    let mut bare = Browser::open(&page, [1280, 900], &["--disable-3d-apis"]);
    bare.until("document.querySelector('#turning').dataset.state === 'failed'");
    assert!(is_shown(&mut bare, ".apart.turned img") && !is_shown(&mut bare, CANVAS));
    is_quiet(&bare);
}
