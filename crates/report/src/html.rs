//! A report as one HTML file without scripts.

use base64::prelude::{BASE64_STANDARD, Engine};
use signal::Recording;

use crate::chart::escape;
use crate::page::{Block, Look, compose};
use crate::texts::Texts;
use crate::{Case, Image, Paper, Settings};

const STYLE: &str = include_str!("page.css");

/// The whole report as one HTML file: no scripts, nothing fetched, pictures inside.
///
/// `recordings` stand beside [`Case::drives`]; a missing one only costs its pictures.
#[must_use]
pub fn html(case: &Case, recordings: &[Option<&Recording>], settings: &Settings) -> String {
    let texts = Texts::of(settings.language);
    let size = match settings.paper {
        Paper::A4 => "A4",
        Paper::Letter => "letter",
    };
    let title = texts.get("title", "report");
    let name = if case.number.is_empty() { title.clone() } else { format!("{title} {}", case.number) };
    let mut page = format!(
        "<!DOCTYPE html>\n<html lang=\"{}\">\n<head>\n<meta charset=\"utf-8\">\n\
         <meta name=\"viewport\" content=\"width=device-width, initial-scale=1\">\n\
         <meta http-equiv=\"Content-Security-Policy\" content=\"default-src 'none'; img-src data:; style-src 'unsafe-inline'\">\n\
         <title>{}</title>\n<style>\n@page {{ size: {size}; margin: 10mm 14mm 11mm 14mm; }}\n{STYLE}</style>\n</head>\n<body>\n<main>\n",
        texts.code(),
        escape(&name)
    );
    page += &head(case, texts);
    for block in compose(case, recordings, settings) {
        page += &write(&block);
    }
    let made = texts.fill("text", "made_by", &[("software", &case.software)]);
    if !case.software.is_empty() {
        page += &format!("<footer>{}</footer>\n", escape(&made));
    }
    // A number and its per cent sign stay on one line.
    page.replace(" %", "\u{a0}%") + "</main>\n</body>\n</html>\n"
}

fn head(case: &Case, texts: &Texts) -> String {
    let mut text = String::from("<header>\n<div class=\"shop\">\n");
    if !case.shop.name.is_empty() {
        text += &format!("<strong>{}</strong><br>\n", escape(&case.shop.name));
    }
    for line in &case.shop.lines {
        text += &format!("{}<br>\n", escape(line));
    }
    text += "</div>\n";
    if !case.number.is_empty() {
        let number = texts.fill("title", "case", &[("number", &case.number)]);
        text += &format!("<div class=\"number\">{}</div>\n", escape(&number));
    }
    if let Some(logo) = &case.shop.logo {
        text += &format!("<img class=\"logo\" alt=\"\" src=\"{}\">\n", source(logo));
    }
    text + "</header>\n"
}

fn write(block: &Block) -> String {
    match block {
        Block::Heading { level, text } => format!("<h{level}>{}</h{level}>\n", escape(text)),
        Block::Text { text, look } => {
            let class = match look {
                Look::Plain => "plain",
                Look::Quote => "quote",
                Look::Strong => "strong",
                Look::Small => "small",
            };
            format!("<p class=\"{class}\">{}</p>\n", escape(text))
        }
        Block::Facts { rows } => {
            let rows = rows
                .iter()
                .map(|[name, value]| format!("<div><dt>{}</dt><dd>{}</dd></div>\n", escape(name), escape(value)));
            format!("<dl>\n{}</dl>\n", rows.collect::<String>())
        }
        Block::List { items } => {
            let items = items.iter().map(|item| format!("<li>{}</li>\n", escape(item)));
            format!("<ul>\n{}</ul>\n", items.collect::<String>())
        }
        Block::Table { head, widths, rows } => {
            let total: f64 = widths.iter().map(|&width| f64::from(width)).sum();
            let columns =
                widths.iter().map(|&width| format!("<col style=\"width:{:.1}%\">", 100.0 * f64::from(width) / total));
            let cells = |row: &[String], tag: &str| -> String {
                row.iter().map(|cell| format!("<{tag}>{}</{tag}>", escape(cell))).collect()
            };
            let body = rows.iter().map(|row| format!("<tr>{}</tr>\n", cells(row, "td")));
            format!(
                "<table>\n<colgroup>{}</colgroup>\n<thead><tr>{}</tr></thead>\n<tbody>\n{}</tbody>\n</table>\n",
                columns.collect::<String>(),
                cells(head, "th"),
                body.collect::<String>()
            )
        }
        Block::Picture { svg, caption, width_percent } => format!(
            "<figure style=\"width:{width_percent}%\">\n{svg}<figcaption>{}</figcaption>\n</figure>\n",
            escape(caption)
        ),
        Block::Photo { image, caption, width_percent, .. } => {
            let (source, caption) = (source(image), escape(caption));
            format!(
                "<figure style=\"width:{width_percent}%\">\n<img alt=\"{caption}\" src=\"{source}\">\n\
                 <figcaption>{caption}</figcaption>\n</figure>\n"
            )
        }
        Block::Pair { left, right } => {
            let column = |blocks: &[Block]| blocks.iter().map(write).collect::<String>();
            format!("<div class=\"pair\"><div>{}</div><div>{}</div></div>\n", column(left), column(right))
        }
        Block::NewPage => "<div class=\"new-page\"></div>\n".to_owned(),
    }
}

/// A picture inside the page (RFC 2397).
fn source(image: &Image) -> String {
    format!("data:{};base64,{}", image.media_type(), BASE64_STANDARD.encode(image.bytes()))
}
