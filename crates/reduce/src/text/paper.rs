//! Plain text in 80 columns: lines that wrap and hang under their indent.

/// Columns of a line.
const WIDTH: usize = 80;

#[derive(Default)]
pub(super) struct Paper {
    text: String,
}

impl Paper {
    /// A heading after a blank line.
    pub(super) fn heading(&mut self, words: &str) {
        self.text.push('\n');
        self.line(0, words);
    }

    /// A line at an indent; what doesn't fit goes on two columns deeper.
    pub(super) fn line(&mut self, indent: usize, words: &str) {
        self.wrap(&" ".repeat(indent), indent + 2, words);
    }

    /// A line behind a mark, hanging under its first word.
    pub(super) fn item(&mut self, mark: &str, words: &str) {
        self.wrap(&format!("  {mark} "), 4, words);
    }

    fn wrap(&mut self, start: &str, hang: usize, words: &str) {
        let mut line = start.to_owned();
        let mut columns = start.chars().count();
        let mut bare = true;
        for word in words.split_whitespace() {
            let mut rest: Vec<char> = word.chars().collect();
            if !bare && columns + 1 + rest.len() > WIDTH {
                self.push(&line);
                line = " ".repeat(hang);
                columns = hang;
                bare = true;
            }
            if !bare {
                line.push(' ');
                columns += 1;
            }
            // A word longer than a line is cut rather than let out over the edge.
            while columns + rest.len() > WIDTH {
                let tail = rest.split_off(WIDTH - columns);
                line.extend(rest);
                self.push(&line);
                line = " ".repeat(hang);
                columns = hang;
                rest = tail;
            }
            columns += rest.len();
            line.extend(rest);
            bare = false;
        }
        self.push(&line);
    }

    fn push(&mut self, line: &str) {
        self.text.push_str(line.trim_end());
        self.text.push('\n');
    }

    pub(super) fn finish(self) -> String {
        self.text
    }
}
