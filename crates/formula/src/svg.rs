//! The family as a picture: generations from left to right, one row a formula, what changed written on each branch.

use std::collections::HashMap;
use std::fmt::Write as _;

use fangwright_materia::{FormulaIx, Materia, SubstanceIx};
use unicode_width::UnicodeWidthStr;

use crate::family::{Family, Member};

const ROW: f64 = 74.0;
const CARD: f64 = 46.0;
const TOP: f64 = 92.0;
const LEFT: f64 = 28.0;
const GAP: f64 = 210.0;

fn escape(text: &str) -> String {
    text.replace('&', "&amp;").replace('<', "&lt;").replace('>', "&gt;").replace('"', "&quot;")
}

fn width(text: &str, size: f64) -> f64 {
    // Hanzi are as wide as high; letters a little over half.
    UnicodeWidthStr::width(text) as f64 * size * 0.535
}

/// At most `most` names, in hanzi, and how many more.
fn names(m: &Materia, list: &[SubstanceIx], most: usize) -> String {
    let mut text: Vec<&str> = list.iter().take(most).map(|s| m.substance(*s).hanzi.as_str()).collect();
    let more;
    if list.len() > most {
        more = format!("+{}", list.len() - most);
        text.push(&more);
    }
    text.join(" ")
}

struct Spot {
    x: f64,
    y: f64,
    wide: f64,
}

/// Draws a family. The text in it is real text; the picture needs no font of its own.
pub fn family_svg(m: &Materia, family: &Family) -> String {
    let members: HashMap<FormulaIx, &Member> = family.members.iter().map(|x| (x.formula, x)).collect();
    let mut children: HashMap<FormulaIx, Vec<FormulaIx>> = HashMap::new();
    for x in &family.members {
        if let Some(p) = x.parent.filter(|p| members.contains_key(p)) {
            children.entry(p).or_default().push(x.formula);
        }
    }
    let generations = family.members.iter().map(|x| x.generation).max().unwrap_or(0) as usize + 1;
    // Each column is as wide as its widest card.
    let mut wide = vec![0.0f64; generations];
    for x in &family.members {
        let f = m.formula(x.formula);
        let w = width(&f.pinyin, 13.0).max(width(&format!("{}  {}", f.hanzi, year(f.year)), 15.0)) + 30.0;
        wide[x.generation as usize] = wide[x.generation as usize].max(w);
    }
    let mut left = vec![LEFT; generations];
    for g in 1..generations {
        left[g] = left[g - 1] + wide[g - 1] + GAP;
    }
    // Leaves one below the other; a parent in the middle of its children.
    let mut spots: HashMap<FormulaIx, Spot> = HashMap::new();
    let mut row = 0.0;
    fn place(
        ix: FormulaIx,
        members: &HashMap<FormulaIx, &Member>,
        children: &HashMap<FormulaIx, Vec<FormulaIx>>,
        left: &[f64],
        wide: &[f64],
        row: &mut f64,
        spots: &mut HashMap<FormulaIx, Spot>,
    ) -> f64 {
        let kids = children.get(&ix).map_or(&[][..], Vec::as_slice);
        let y = if kids.is_empty() {
            let y = TOP + *row * ROW + CARD / 2.0;
            *row += 1.0;
            y
        } else {
            let ys: Vec<f64> = kids.iter().map(|k| place(*k, members, children, left, wide, row, spots)).collect();
            (ys[0] + ys[ys.len() - 1]) / 2.0
        };
        let g = members[&ix].generation as usize;
        spots.insert(ix, Spot { x: left[g], y, wide: wide[g] });
        y
    }
    if let Some(root) = family.line.first() {
        place(*root, &members, &children, &left, &wide, &mut row, &mut spots);
    }
    let height = TOP + row.max(1.0) * ROW + 52.0;
    let total = left[generations - 1] + wide[generations - 1] + LEFT;
    let total = total.max(640.0);
    let asked = m.formula(family.formula);
    let mut svg = String::new();
    let _ = write!(
        svg,
        r##"<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {total:.0} {height:.0}" width="{total:.0}" height="{height:.0}" font-family="'Noto Sans CJK SC','Noto Sans SC','PingFang SC','Microsoft YaHei',sans-serif" role="img" aria-labelledby="t d">
<title id="t">Family of {} {}</title>
<desc id="d">Generations from left to right. On each branch: plus, what is brought in; minus, what is taken out; a double arrow, another form or a substitute.</desc>
<style>
.sheet{{fill:#fbf8f1}}.card{{fill:#fffdf7;stroke:#8a7a5c;stroke-width:1}}.asked{{fill:#23433f;stroke:#23433f}}.line{{fill:#efe5cf;stroke:#6d5a34;stroke-width:1.5}}
.branch{{fill:none;stroke:#8a7a5c;stroke-width:1.6}}.unstated{{stroke-dasharray:5 4}}.name{{font-size:15px;fill:#2b2417}}.py{{font-size:13px;fill:#5c5038}}.asked-text{{fill:#fbf8f1}}
.in{{font-size:12px;fill:#1d5c4c}}.out{{font-size:12px;fill:#9b3324}}.swap{{font-size:12px;fill:#6a4b8a}}.title{{font-size:20px;fill:#2b2417}}.small{{font-size:12px;fill:#6b5f47}}
</style>
<rect class="sheet" width="100%" height="100%"/>
<text class="title" x="{LEFT}" y="38">{} {}</text>
<text class="small" x="{LEFT}" y="60">{} in its family, computed from composition and date · solid branch: a source says so too; broken branch: computed only</text>
"##,
        escape(&asked.pinyin),
        escape(&asked.hanzi),
        escape(&asked.hanzi),
        escape(&asked.pinyin),
        family.members.len(),
    );
    // Branches first, cards over them.
    for x in &family.members {
        let (Some(p), Some(to)) = (x.parent.and_then(|p| spots.get(&p)), spots.get(&x.formula)) else { continue };
        let (x1, y1, x2, y2) = (p.x + p.wide, p.y, to.x, to.y);
        let bend = x1 + 34.0;
        let class = if x.stated { "branch" } else { "branch unstated" };
        let _ = writeln!(
            svg,
            r#"<path class="{class}" d="M{x1:.1} {y1:.1} C{bend:.1} {y1:.1} {x1:.1} {y2:.1} {bend:.1} {y2:.1} L{x2:.1} {y2:.1}"/>"#
        );
        let tx = bend + 6.0;
        let mut lines: Vec<(&str, String)> = Vec::new();
        if !x.added.is_empty() {
            lines.push(("in", format!("+ {}", names(m, &x.added, 4))));
        }
        if !x.removed.is_empty() {
            lines.push(("out", format!("− {}", names(m, &x.removed, 4))));
        }
        if !x.exchanged.is_empty() {
            let list: Vec<String> = x
                .exchanged
                .iter()
                .take(2)
                .map(|(a, b)| format!("{}⇄{}", m.substance(*a).hanzi, m.substance(*b).hanzi))
                .collect();
            let more = if x.exchanged.len() > 2 { format!(" +{}", x.exchanged.len() - 2) } else { String::new() };
            lines.push(("swap", format!("{}{more}", list.join(" "))));
        }
        if lines.is_empty() {
            let list = names(m, &x.redosed, 3);
            lines.push(("swap", if list.is_empty() { "same ingredients".into() } else { format!("dose: {list}") }));
        }
        // Above the branch the first line, the rest below it.
        for (i, (class, text)) in lines.iter().enumerate() {
            let y = if i == 0 { y2 - 6.0 } else { y2 + 1.0 + 14.0 * i as f64 };
            let _ = writeln!(svg, r#"<text class="{class}" x="{tx:.1}" y="{y:.1}">{}</text>"#, escape(text));
        }
    }
    for x in &family.members {
        let Some(s) = spots.get(&x.formula) else { continue };
        let f = m.formula(x.formula);
        let asked = x.formula == family.formula;
        let class = if asked {
            "asked"
        } else if family.line.contains(&x.formula) {
            "line"
        } else {
            "card"
        };
        let text = if asked { " asked-text" } else { "" };
        let y = s.y - CARD / 2.0;
        let also: Vec<String> = x.also_from.iter().map(|a| m.formula(*a).hanzi.clone()).collect();
        let also = if also.is_empty() { String::new() } else { format!(" (also from {})", also.join(", ")) };
        let own = if f.place.own { " · own" } else { "" };
        let _ = writeln!(
            svg,
            r#"<g><title>{}, {}{}</title><rect class="{class}" x="{:.1}" y="{y:.1}" width="{:.1}" height="{CARD}" rx="5"/><text class="name{text}" x="{:.1}" y="{:.1}">{}  <tspan class="py{text}">{}{own}</tspan></text><text class="py{text}" x="{:.1}" y="{:.1}">{}</text></g>"#,
            escape(&f.english),
            year(f.year),
            escape(&also),
            s.x,
            s.wide,
            s.x + 12.0,
            y + 20.0,
            escape(&f.hanzi),
            year(f.year),
            s.x + 12.0,
            y + 38.0,
            escape(&f.pinyin),
        );
    }
    let _ = writeln!(
        svg,
        r#"<text class="small" x="{LEFT}" y="{:.0}">+ brought in   − taken out   ⇄ another form or a substitute.  A picture for study: it does not say what is right for a patient.</text>"#,
        height - 20.0
    );
    svg.push_str("</svg>\n");
    svg
}

fn year(y: i32) -> String {
    if y < 300 { format!("c. {y}") } else { y.to_string() }
}
