//! Text of a page.

/// As text of a page, numbers and their units on one line.
pub fn worded(text: &str) -> String {
    (0..10).fold(escaped(text), |text, digit| text.replace(&format!("{digit} "), &format!("{digit}&nbsp;")))
}

/// As text of a page.
pub fn escaped(text: &str) -> String {
    let mut escaped = String::with_capacity(text.len());
    for char in text.chars() {
        match char {
            '&' => escaped += "&amp;",
            '<' => escaped += "&lt;",
            '>' => escaped += "&gt;",
            '"' => escaped += "&quot;",
            char => escaped.push(char),
        }
    }
    escaped
}

/// With a capital letter to begin with.
pub fn capitalised(mut text: String) -> String {
    if let Some(first) = text.get_mut(..1) {
        first.make_ascii_uppercase();
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_of_files_are_no_markup() {
        assert_eq!(escaped("<b> & \"c\""), "&lt;b&gt; &amp; &quot;c&quot;");
        assert_eq!(worded("-1.5 dB of <b> 3 s"), "-1.5&nbsp;dB of &lt;b&gt; 3&nbsp;s");
    }
}
