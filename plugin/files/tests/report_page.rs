//! The page that `--report` writes, in a browser: Chromium without a window. Skipped, in words, where there is none.

use std::{fs, ops::ControlFlow, path::Path, process::Command};

use minuend_files::{Passes, Render, noise::samples, render, write::write_all};
use serde_json::Value;

const RATE_HZ: u32 = 44_100;

/// What the browser is called, on one system or another.
const BROWSERS: [&str; 3] = ["chromium", "chromium-browser", "google-chrome"];

/// The text and the lines of a page in a frame: what is too small, cut off, hidden under something else or too faint. Contrast
/// is that of WCAG 2.2 (SC 1.4.3: 4.5 : 1 for text; here for lines, too).
const MEASURE: &str = r##"
const frame = document.querySelector("iframe"), page = frame.contentDocument, view = frame.contentWindow
const style = element => view.getComputedStyle(element)
const luminance = colour => {
    const [r, g, b] = colour.match(/[\d.]+/g).map(x => x / 255).map(x => x <= 0.04045 ? x / 12.92 : ((x + 0.055) / 1.055) ** 2.4)
    return 0.2126 * r + 0.7152 * g + 0.0722 * b
}
const paper = luminance(style(page.body).backgroundColor)
const contrast = colour => {
    const ink = luminance(colour)
    return (Math.max(ink, paper) + 0.05) / (Math.min(ink, paper) + 0.05)
}
const all = selector => [...page.querySelectorAll(selector)].filter(element => style(element).visibility == "visible")
const texts = all("body *").filter(element => [...element.childNodes].some(node => node.nodeType == 3 && node.data.trim()))
const box = element => {
    const range = page.createRange()
    range.selectNodeContents(element)
    return range.getBoundingClientRect()
}
const apart = (a, b) => a.right <= b.left || b.right <= a.left || a.bottom <= b.top || b.bottom <= a.top
const words = element => `${element.className} ${element.textContent.slice(0, 40)}`
const marks = all(".plot>span")
const found = {
    paper,
    texts: texts.length,
    marks: marks.length,
    lines: all(".line").length,
    wide: page.documentElement.scrollWidth - page.documentElement.clientWidth,
    small: texts.filter(element => parseFloat(style(element).fontSize) < 12).map(words),
    cut: texts.filter(element => box(element).left < 0 || box(element).right > view.innerWidth).map(words),
    hidden: marks.filter(one => texts.some(other => other != one && !apart(box(one), box(other)))).map(words),
    broken: all(".facts th, .sections td").filter(cell => /th/i.test(cell.tagName) || /\d/.test(cell.textContent))
        .filter(cell => box(cell).height > 1.5 * parseFloat(style(cell).lineHeight)).map(words),
    faint: texts.filter(element => contrast(style(element).color) < 4.5).map(words),
    faintLines: all(".line").filter(element => contrast(style(element).stroke) < 4.5).map(words),
}
console.log("measured")
document.body.textContent = `MEASURED ${JSON.stringify(found)} MEASURED`
"##;

/// Writes the page of a song that has everything a page can show but drift: a backing that begins late and is cut once.
fn write_page(folder: &Path) -> String {
    let second = RATE_HZ as usize;
    let backing = samples(1, 18 * second);
    let sung = |n: usize| if (n / second).is_multiple_of(2) { 0.2 } else { 0.0 };
    let later = |n: usize| if n < 9 * second { 2 * second } else { second };
    let mix = samples(48_271, 18 * second).into_iter().enumerate();
    let mix =
        mix.map(|(n, voice)| n.checked_sub(later(n)).map_or(0.0, |n| 0.5 * backing[n]) + sung(n) * voice);
    let [mix_file, backing_file, out, report] =
        ["a mix.wav", "a backing.wav", "out.wav", "page.html"].map(|name| folder.join(name));
    let mix: Vec<f32> = mix.collect();
    write_all(&mix_file, RATE_HZ, &[mix.clone(), mix]).unwrap();
    write_all(&backing_file, RATE_HZ, &[backing.clone(), backing]).unwrap();
    let request = Render {
        report: Some(report.clone()),
        passes: Passes::One,
        ..Render::new(mix_file, backing_file, out)
    };
    render(&request, &mut |_| ControlFlow::Continue(())).unwrap();
    fs::read_to_string(report).unwrap()
}

#[test]
fn the_page_can_be_read_on_any_screen() {
    let version =
        |name: &&&str| Command::new(name).arg("--version").output().is_ok_and(|done| done.status.success());
    let Some(browser) = BROWSERS.iter().find(version) else {
        eprintln!("skipped: there is no browser, of {}", BROWSERS.join(", "));
        return;
    };
    let folder = tempfile::tempdir().unwrap();
    let page = write_page(folder.path()).replace('&', "&amp;").replace('"', "&quot;");
    for (scheme, is_dark) in [("0", true), ("1", false)] {
        for width in [360, 400, 1000, 1600] {
            let what = format!("{width} wide, dark {is_dark}");
            // In a frame, which can be narrower than a window, and asked from outside: the page itself lets nothing run.
            let frame = format!(
                "<!DOCTYPE html><meta charset=utf-8><body><iframe style=\"width:{width}px;height:2000px;border:0\" srcdoc=\"{page}\"></iframe>\
                 <script>addEventListener(\"load\", () => {{{MEASURE}}})</script>"
            );
            let file = folder.path().join("frame.html");
            fs::write(&file, frame).unwrap();
            let done = Command::new(browser)
                .args(["--headless", "--no-sandbox", "--disable-gpu", "--no-first-run", "--disable-sync"])
                .args([
                    "--disable-background-networking",
                    "--disable-component-update",
                    "--enable-logging=stderr",
                ])
                // Nobody outside is asked for anything, and the browser says so on its console if the page tries.
                .args(["--host-resolver-rules=MAP * ~NOTFOUND", "--dump-dom"])
                .arg(format!("--blink-settings=preferredColorScheme={scheme}"))
                .arg(format!("--user-data-dir={}", folder.path().join("profile").display()))
                .arg(format!("file://{}", file.display()))
                .output()
                .unwrap();
            let (said, dom) = (String::from_utf8_lossy(&done.stderr), String::from_utf8_lossy(&done.stdout));
            let console: Vec<_> = said.lines().filter(|line| line.contains("CONSOLE")).collect();
            assert!(console.len() == 1 && console[0].contains("measured"), "{what}: {console:?} {said}");
            let found: Value = serde_json::from_str(dom.split("MEASURED").nth(1).unwrap()).unwrap();
            assert_eq!(found["paper"].as_f64().unwrap() < 0.2, is_dark, "{what}: {found}");
            let at_least =
                |name: &str, least: u64| assert!(found[name].as_u64().unwrap() >= least, "{what}: {found}");
            at_least("texts", 60);
            at_least("marks", 40);
            at_least("lines", 9);
            assert_eq!(found["wide"], 0, "{what}: {found}");
            for fault in ["small", "cut", "hidden", "broken", "faint", "faintLines"] {
                if fault == "broken" && width < 400 {
                    continue; // Both units of a delay on one line take more than the narrowest screens have.
                }
                assert_eq!(found[fault], Value::Array(Vec::new()), "{what}: {fault}");
            }
        }
    }
}
