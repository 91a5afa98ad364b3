"""The form of the report: a style sheet, and a page that jinja2 fills in, every value escaped."""

from __future__ import annotations

STYLE = """
:root { color-scheme: light dark; --ink: #1a1a1a; --page: #ffffff; --soft: #f3f3f1;
  --line: #c9c9c4; --good: #0072b2; --bad: #b84300; --open: #8a6d00; --quiet: #55554f; }
@media (prefers-color-scheme: dark) { :root { --ink: #ececea; --page: #161617; --soft: #242426;
  --line: #4a4a4c; --good: #6cc0f0; --bad: #ff9d66; --open: #f0e442; --quiet: #b5b5b0; } }
* { box-sizing: border-box; }
body { font: 16px/1.5 system-ui, "Liberation Sans", Arial, sans-serif; margin: 0 auto;
  max-width: 60rem; padding: 1.2rem 1rem 3rem; color: var(--ink); background: var(--page); }
h1 { font-size: 1.7rem; line-height: 1.2; margin: .4rem 0 .2rem; }
h2 { font-size: 1.25rem; margin: 2.2rem 0 .6rem; border-bottom: 2px solid var(--line); }
h3 { font-size: 1.02rem; margin: 1.3rem 0 .3rem; }
h1, h2, h3, p, li, dd, figcaption { overflow-wrap: anywhere; }
a { color: inherit; }
.lead { color: var(--quiet); margin: 0 0 1rem; }
.verdict { border-left: .6rem solid var(--open); background: var(--soft); padding: .7rem 1rem;
  font-size: 1.12rem; margin: 1rem 0; }
.verdict.proven { border-color: var(--good); } .verdict.failed { border-color: var(--bad); }
.caution { border: 2px solid var(--ink); padding: .6rem 1rem; margin: 1rem 0; }
.caution p { margin: .25rem 0; }
.invented { font-style: italic; }
.wide { overflow-x: auto; }
table { border-collapse: collapse; width: 100%; font-size: .9rem; }
caption { text-align: left; font-weight: 600; padding: .3rem 0; }
th, td { text-align: left; vertical-align: top; padding: .28rem .5rem;
  border-bottom: 1px solid var(--line); overflow-wrap: anywhere; }
td:nth-child(-n+2) { min-width: 7.5em; } td.n { min-width: 0; }
th { background: var(--soft); } td.n, th.n { text-align: right; white-space: nowrap; }
.proven { color: var(--good); } .failed { color: var(--bad); }
.not-shown, .open { color: var(--open); }
td.state { font-weight: 600; }
table.tests { table-layout: fixed; }
table.tests th:nth-child(1) { width: 12%; } table.tests th:nth-child(2) { width: 31%; }
table.tests th:nth-child(4) { width: 21%; }
.small { font-size: .85rem; color: var(--quiet); }
.hash { font-family: ui-monospace, "Liberation Mono", monospace; font-size: .72rem; }
figure { margin: 1rem 0; } figure svg, figure img { max-width: 100%; height: auto; display: block; }
figure img { background: #fff; }
figcaption { font-size: .88rem; color: var(--quiet); }
.sign { display: grid; grid-template-columns: 1fr 1fr; gap: 2.4rem 2rem; margin-top: 3rem; }
.sign div { border-top: 1px solid var(--ink); padding-top: .2rem; font-size: .85rem; }
footer { margin-top: 2.5rem; font-size: .85rem; color: var(--quiet); }
@media (max-width: 40rem) {
  body { padding: .8rem .7rem 2rem; } h1 { font-size: 1.35rem; }
  table.cards thead { display: none; }
  table.cards tr { display: block; border: 1px solid var(--line); margin: 0 0 .6rem; }
  table.cards td { display: block; border: 0; padding: .18rem .6rem; text-align: left; }
  table.cards td[data-name]::before { content: attr(data-name) ": "; color: var(--quiet); }
  .sign { grid-template-columns: 1fr; }
}
@page { size: A4; margin: 15mm 14mm 20mm;
  @bottom-left { content: "High voltage can kill. Not a proof of safety: follow local codes, leave pack work to licensed people."; font: 7.5pt sans-serif; }
  @bottom-right { content: counter(page) " / " counter(pages); font: 7.5pt sans-serif; } }
@media print {
  :root { --ink: #000; --page: #fff; --soft: #f3f3f1; --line: #bbb; --good: #005a8e;
    --bad: #9c3900; --open: #6b5500; --quiet: #444; }
  body { max-width: none; margin: 0; padding: 0; font-size: 9.5pt; line-height: 1.38; }
  table { font-size: 8.5pt; } .small { font-size: 8pt; } th, td { padding: .16rem .4rem; }
  h2 { margin-top: 1.3rem; } h3 { margin: .8rem 0 .2rem; } p { margin: .3rem 0; }
  h2, h3 { break-after: avoid; } tr, figure, .verdict, .caution, .sign { break-inside: avoid; }
  thead { display: table-header-group; } .wide { overflow: visible; }
}
"""

PAGE = """<!doctype html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<meta http-equiv="Content-Security-Policy"
 content="default-src 'none'; style-src 'unsafe-inline'; img-src data:">
<meta name="referrer" content="no-referrer">
<title>Commissioning report: {{ r.vehicle.name }}</title>
<style>{{ style }}</style>
</head>
<body>
<main>
<h1>Commissioning report: {{ r.vehicle.name }}</h1>
<p class="lead">{{ r.date }}{% if r.by %}, written by {{ r.by }}{% endif %}, busplan {{ version }}</p>
{% if r.vehicle.invented %}<p class="invented">Invented demo data: no real vehicle, part or
measurement stands behind this report.</p>{% endif %}
<p class="verdict {{ r.verdict|replace(' ', '-') }}"><strong>{{ r.words }}</strong></p>
<div class="caution" role="note">{% for c in cautions %}<p>{{ c }}</p>{% endfor %}</div>

{% if r.commissioning.journal.broken %}<h2>The journal has been changed</h2>
<ul>{% for b in r.commissioning.journal.broken %}<li>{{ b }}</li>{% endfor %}</ul>{% endif %}

<h2>What was built</h2>
<figure><img alt="{{ drawing_text }}" src="data:image/svg+xml;base64,{{ drawing }}">
<figcaption>{{ drawing_text }}</figcaption></figure>
<div class="wide"><table class="cards"><caption>Nodes, and what they told of themselves</caption>
<thead><tr><th>node</th><th>part</th><th>maker</th><th>networks</th><th>told</th></tr></thead>
<tbody>{% for n in r.nodes %}<tr><td data-name="node">{{ n.node }}{% if n.place %}
<span class="small">{{ n.place }}</span>{% endif %}</td><td data-name="part">{{ n.part }}</td>
<td data-name="maker">{{ n.maker or '-' }}</td><td data-name="networks">{{ n.networks|join(', ') }}</td>
<td data-name="told">{% for t in n.told %}{{ t }}{% if not loop.last %}<br>{% endif %}{% else %}-{% endfor %}</td></tr>
{% endfor %}</tbody></table></div>

<h2>The plan held against itself</h2>
{% if r.plan_findings %}<p>Loads, deadlines, identifiers, routes and cables as planned, before anything was
measured:</p>
<ul>{% for f in r.plan_findings %}<li><strong>{{ f.weight.word }}</strong> {{ f.where }}: {{ f.summary }}</li>{% endfor %}</ul>
{% else %}<p>Loads, deadlines, identifiers, routes and cables as planned: no faults and no cautions.</p>{% endif %}
{% if r.plan_unstated %}<p>What the plan does not state, and so was not judged or was assumed:</p>
<ul>{% for f in r.plan_unstated %}<li>{{ f.where }}{{ ': ' if f.where|string }}{{ f.summary }}</li>{% endfor %}</ul>{% endif %}

{% if plots %}<h2>Figures</h2>
{% for p in plots %}<figure>{{ p.svg|safe_svg }}<figcaption>{{ p.title }}. {{ p.text }}</figcaption></figure>
{% endfor %}{% elif plots is none %}<p class="small">Without figures: matplotlib is not
installed.</p>{% endif %}

<h2>Tests</h2>
{% for state, title, tests in groups %}{% if tests %}<h3 class="{{ state|replace(' ', '-') }}">{{ title }} ({{ tests|length }})</h3>
<div class="wide"><table class="cards tests"><thead><tr><th>state</th><th>test</th><th>proof</th><th>who and when</th></tr></thead>
<tbody>{% for t in tests %}<tr>
<td class="state {{ state|replace(' ', '-') }}">{{ t.mark }} {{ t.state }}</td>
<td data-name="test">{{ t.test.name }}{% if t.test.by_hand %}<br>{{ t.test.subject }}{% endif %}
{% if t.test.limits_text %}<br><span class="small">{{ t.test.limits_text }}</span>{% endif %}
{% if t.test.licensed %}<br><strong>by a licensed person</strong>{% if t.proof %}; whether
the one named is licensed was not checked{% endif %}{% endif %}
{% if t.test.caution %}<br><span class="small">{{ t.test.caution }}</span>{% endif %}
{% if t.test.source %}<br><span class="small">{{ t.test.source }}</span>{% endif %}</td>
<td data-name="proof">{% if t.proof %}{{ t.proof[1].text or t.proof[1].answer }}{% else %}nothing was entered{% endif %}
{% if t.repaired %}<br><strong>failed before, proven since</strong>: {{ r.failed_before(t).text }}{% endif %}
{% if t.passed_in_vain %}<br>{{ t.passed_in_vain }}{% endif %}
{% if t.accepted %}<br><strong>accepted by {{ t.accepted.who }}</strong>: {{ t.accepted.text }}{% endif %}
{% for e in r.remarks(t) %}<br><span class="small">{{ e.who }}, {{ e.time }}: {{ e.text }}</span>{% endfor %}</td>
<td data-name="who and when">{% if t.proof %}{{ who(t.proof[0]) }}{% endif %}</td></tr>
{% endfor %}</tbody></table></div>{% endif %}{% endfor %}

{% if behaviours %}<h2>Behaviours</h2>
{% for t, f, says in behaviours %}<h3><span class="{{ t.state|replace(' ', '-') }}">{{ t.mark }} {{ t.state }}</span> {{ t.test.subject }}</h3>
<p>Required: {{ says }}.<br>Seen: {{ t.proof[1].text }}.</p>
{% if f %}<div class="wide"><table><thead><tr><th class="n">at s</th><th class="n">right again s</th><th class="n">margin</th><th class="n">margin s</th></tr></thead>
<tbody>{% for m in f %}<tr><td class="n">{{ m[0] }}</td><td class="n">{{ m[1] }}</td><td class="n">{{ m[2] }}</td><td class="n">{{ m[3] }}</td></tr>
{% endfor %}</tbody></table></div>{% endif %}{% endfor %}{% endif %}

{% if r.accepted %}<h2>Accepted as it is</h2><ul>{% for t in r.accepted %}<li>{{ t.test.name }}:
{{ t.proof[1].text }}. Accepted by {{ t.accepted.who }} on {{ t.accepted.time }}: {{ t.accepted.text }}</li>{% endfor %}</ul>{% endif %}

<h2>What was not shown</h2>
{% if unseen %}<p>Not done, or what was recorded could not show it ({{ unseen|length }}):</p>
<ul>{% for t in unseen %}<li>{{ t.test.name }}{% if t.proof %}: {{ t.proof[1].text }}{% endif %}</li>{% endfor %}</ul>
{% elif r.commissioning.tests %}<p>Nothing: every test of the list was done.</p>
{% else %}<p>All of it: the plan has no list of tests.</p>{% endif %}

{% if baseline %}<h2>Baseline</h2>
<p>Kept for later captures of the same build; the tables beside this report hold each cell and module.</p>
<div class="wide"><table><thead><tr><th>figure</th><th>how many: from to</th><th>conditions</th></tr></thead>
<tbody>{% for b in baseline %}<tr><td>{{ b[0] }}</td><td>{{ b[1] }}</td><td>{{ b[2] }}</td></tr>{% endfor %}</tbody></table></div>{% endif %}

<h2>Captures and journal</h2>
{% if r.captures %}<div class="wide"><table class="cards"><thead><tr><th>entry</th><th>capture</th><th>recorded</th><th class="n">s</th><th>SHA-256</th></tr></thead>
<tbody>{% for e, c in r.captures %}<tr><td data-name="entry">{{ e.number }}</td><td data-name="capture">{{ c.name }}</td>
<td data-name="recorded">{{ c['from'] }}</td><td class="n" data-name="seconds">{{ '%.1f'|format(c.span_s) }}</td><td class="hash" data-name="SHA-256">{{ c.sha256 }}</td></tr>
{% endfor %}</tbody></table></div>{% else %}<p>No capture was entered.</p>{% endif %}
{% if r.notes %}<div class="wide"><table class="cards"><caption>Noted while recording</caption>
<thead><tr><th>capture</th><th class="n">at s</th><th>note</th><th>who</th></tr></thead>
<tbody>{% for name, n in r.notes %}<tr><td data-name="capture">{{ name }}</td>
<td class="n" data-name="at s">{{ '%.1f'|format(n.at_s) }}</td><td data-name="note">{{ n.text }}</td>
<td data-name="who">{{ n.by or '-' }}</td></tr>
{% endfor %}</tbody></table></div>{% endif %}
{% for e, c in r.captures %}{% if c.notes_left_out %}<p class="small">{{ c.name }}: {{ c.notes_left_out }} more
notes stand in the file beside it.</p>{% endif %}{% endfor %}
<p>Entries of the journal: {{ r.commissioning.journal.entries|length }}; the hash of the last is
<span class="hash">{{ r.commissioning.journal.last }}</span>. Each entry carries the hash of the one
before it. The list of hashes beside this report (.sha256) tells whether report, journal and captures
are those of that day: <code>busplan report --verify LIST</code>, or any program that checks SHA-256
lists.</p>

<h2>Signed</h2>
<div class="sign"><div>place and date</div><div>for the workshop</div><div>licensed person</div><div>customer</div></div>
</main>
<footer>{{ caution }}</footer>
</body>
</html>
"""
