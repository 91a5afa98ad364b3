"""The form of the manual's HTML: a template, a style in the report's colours, and the search."""

from __future__ import annotations

STYLE = """
:root { color-scheme: light dark; --ink: #1a1a1a; --page: #ffffff; --soft: #f3f3f1;
  --line: #c9c9c4; --link: #005a8e; --quiet: #55554f; }
@media (prefers-color-scheme: dark) { :root { --ink: #ececea; --page: #161617; --soft: #242426;
  --line: #4a4a4c; --link: #6cc0f0; --quiet: #b5b5b0; } }
* { box-sizing: border-box; }
body { font: 16px/1.55 system-ui, "Liberation Sans", Arial, sans-serif; margin: 0;
  color: var(--ink); background: var(--page); }
a { color: var(--link); }
.skip { position: absolute; left: -99rem; } .skip:focus { left: 1rem; }
.book { display: grid; grid-template: "head page" auto "list page" 1fr / 17rem minmax(0, 46rem);
  column-gap: 2.5rem; max-width: 68rem; margin: 0 auto; padding: 1rem; }
header { grid-area: head; } nav { grid-area: list; } main { grid-area: page; }
nav { font-size: .9rem; }
nav h2 { font-size: .8rem; margin: 1.1rem 0 .2rem; color: var(--quiet); }
nav ul, #search-hits { list-style: none; margin: 0; padding: 0; }
nav li { padding: .1rem 0; } nav a[aria-current] { font-weight: 700; color: var(--ink); }
nav summary { cursor: pointer; font-size: .8rem; font-weight: 700; margin-top: 1.1rem;
  color: var(--quiet); }
main { padding-bottom: 3rem; }
h1 { font-size: 1.7rem; line-height: 1.2; margin: .2rem 0 1rem; }
h2 { font-size: 1.25rem; margin: 2rem 0 .5rem; border-bottom: 2px solid var(--line); }
h3 { font-size: 1.02rem; margin: 1.3rem 0 .3rem; }
p, li { overflow-wrap: anywhere; }
code, pre { font-family: ui-monospace, "Liberation Mono", monospace; font-size: .88em; }
code { background: var(--soft); padding: .05em .25em; }
pre { background: var(--soft); padding: .7rem .9rem; overflow-x: auto; }
pre code { padding: 0; }
.wide { overflow-x: auto; }
table { border-collapse: collapse; font-size: .92rem; }
th, td { text-align: left; vertical-align: top; padding: .28rem .6rem;
  border-bottom: 1px solid var(--line); }
th { background: var(--soft); }
img { max-width: 100%; height: auto; }
blockquote { border: 2px solid var(--ink); margin: 1rem 0; padding: .1rem 1rem; }
.search label { display: block; font-size: .8rem; font-weight: 700; color: var(--quiet); }
.search input { width: 100%; font: inherit; color: inherit; background: var(--page);
  border: 1px solid var(--quiet); padding: .35rem .5rem; }
#search-hits li { padding: .35rem 0; border-bottom: 1px solid var(--line); }
#search-hits small { display: block; color: var(--quiet); overflow-wrap: anywhere; }
footer { color: var(--quiet); font-size: .85rem; border-top: 1px solid var(--line);
  margin-top: 3rem; padding-top: .6rem; }
@media (max-width: 48rem) {
  .book { grid-template: "head" auto "page" auto "list" auto / minmax(0, 1fr); row-gap: 1rem; } }
@media print { header, nav, .skip { display: none; } .book { display: block; } }
"""

PAGE = """<!doctype html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<meta name="referrer" content="no-referrer">
<title>{{ page.title }}: busplan</title>
<link rel="stylesheet" href="style.css">
<script src="search-index.js" defer></script>
<script src="search.js" defer></script>
</head>
<body>
<a class="skip" href="#the-page">To the text</a>
<div class="book">
<header>
<a href="index.html"><strong>busplan {{ version }}: the manual</strong></a>
<div class="search" hidden><label for="search-words">Search all pages</label>
<input id="search-words" type="search" autocomplete="off">
<ul id="search-hits" aria-live="polite"></ul></div>
</header>
<nav aria-label="Pages">
{% for name, pages in groups %}<details{% if page.group == name or "Ref" not in name %} open
{%- endif %}><summary>{{ name }}</summary>
<ul>{% for p in pages %}<li><a href="{{ p.name }}.html"{% if p.name == page.name %}
 aria-current="page"{% endif %}>{{ p.title }}</a></li>
{% endfor %}</ul></details>
{% endfor %}</nav>
<main id="the-page">
{{ body }}
<footer>{{ caution }}</footer>
</main>
</div>
</body>
</html>
"""

SCRIPT = """"use strict";
// Finds sections that hold all words; those whose heading says just that come first.
const field = document.getElementById("search-words");
const hits = document.getElementById("search-hits");
const MOST = 30;
function rank(entry, words) {
  const [, title, heading, text] = entry.map((part) => part.toLowerCase());
  if (!words.every((word) => `${heading} ${text}`.includes(word))) return 9;
  if (heading === words.join(" ")) return 0;
  if (words.every((word) => heading.includes(word))) return heading === title ? 1 : 2;
  return words.some((word) => `${title} ${heading}`.includes(word)) ? 3 : 4;
}
function show() {
  const words = field.value.toLowerCase().split(/\\s+/).filter(Boolean);
  const found = !words.length ? [] : ENTRIES.map((entry) => [rank(entry, words), entry])
    .filter(([at]) => at < 9).sort((a, b) => a[0] - b[0]).slice(0, MOST);
  hits.replaceChildren(...found.map(([, [link, title, heading, text]]) => {
    const item = document.createElement("li"), way = document.createElement("a");
    const line = document.createElement("small");
    const at = Math.max(0, text.toLowerCase().indexOf(words[0]) - 30);
    way.href = link;
    way.textContent = heading === title ? title : `${title}: ${heading}`;
    line.textContent = text.slice(at, at + 110);
    item.append(way, line);
    return item;
  }));
  if (words.length && !found.length) {
    const item = document.createElement("li");
    item.textContent = "No page says that.";
    hits.append(item);
  }
}
document.querySelector(".search").hidden = false;
field.addEventListener("input", show);
document.addEventListener("keydown", (event) => {
  if (event.key === "/" && event.target !== field) { event.preventDefault(); field.focus(); }
});
show();
"""
