//! What every page has around its content.

/// The page may load nothing from anywhere, and says so to the browser.
const HEAD: &str = "<!DOCTYPE html>
<html lang=\"en\">
<head>
<meta charset=\"utf-8\">
<meta http-equiv=\"Content-Security-Policy\" content=\"default-src 'none'; style-src 'unsafe-inline'; img-src data:\">
<meta name=\"viewport\" content=\"width=device-width\">
<meta name=\"color-scheme\" content=\"light dark\">
<link rel=\"icon\" href=\"data:,\">
";

/// Two inks for text, four for lines, told apart by their dashes too. Contrast to the paper is at least 4.5 : 1 of each.
const STYLE: &str = include_str!("page.css");

/// A whole page; `title` and `body` are text of a page already.
pub fn document(title: &str, body: &str) -> String {
    let version = env!("CARGO_PKG_VERSION");
    format!(
        "{HEAD}<title>{title}</title>\n<style>\n{STYLE}</style>\n</head>\n<body>\n<main>\n{body}<footer>Minuend {version}</footer>\n</main>\n</body>\n</html>\n"
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Relative luminance and contrast by WCAG 2.2: text and lines reach 4.5 : 1 on either paper.
    #[test]
    fn inks_stand_out_from_the_paper() {
        let luminance = |hex: &str| {
            let channel = |at: usize| {
                let value = f64::from(u8::from_str_radix(&hex[at..at + 2], 16).unwrap()) / 255.0;
                if value <= 0.04045 { value / 12.92 } else { ((value + 0.055) / 1.055).powf(2.4) }
            };
            0.2126 * channel(0) + 0.7152 * channel(2) + 0.0722 * channel(4)
        };
        for theme in STYLE.split(":root{").skip(1).take(2) {
            let colour = |name: &str| {
                let at = theme.find(&format!("--{name}:#")).unwrap() + name.len() + 4;
                luminance(&theme[at..at + 6])
            };
            let paper = colour("paper");
            for ink in ["ink", "faint", "l0", "l1", "l2", "l3"] {
                let (a, b) = (colour(ink).max(paper), colour(ink).min(paper));
                assert!((a + 0.05) / (b + 0.05) >= 4.5, "{ink}: {}", (a + 0.05) / (b + 0.05));
            }
        }
    }
}
