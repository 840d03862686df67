"""How words and the edges of controls stand out from what lies behind them, computed in a page.

Source: WCAG 2.2, "relative luminance" and "contrast ratio".
"""

from __future__ import annotations

LUMINANCE = """
  const parts = c => c.match(/[\\d.]+/g).map(Number);
  const linear = v => (v /= 255) <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4;
  const light = ([r, g, b]) => 0.2126 * linear(r) + 0.7152 * linear(g) + 0.0722 * linear(b);
  const behind = e => {
    for (; e; e = e.parentElement) {
      const c = parts(getComputedStyle(e).backgroundColor);
      if (c.length < 4 || c[3] > 0) return c;
    }
    return [255, 255, 255];
  };
  const ratio = (a, b) => (Math.max(light(a), light(b)) + 0.05) / (Math.min(light(a), light(b)) + 0.05);
  const least = all => all.reduce((a, b) => a[0] < b[0] ? a : b);
"""

WORDS_AND_EDGES = f"""
(() => {{
  {LUMINANCE}
  const words = [], edges = [];
  for (const e of document.body.querySelectorAll('*')) {{
    const style = getComputedStyle(e);
    const told = [...e.childNodes].some(n => n.nodeType === 3 && n.data.trim());
    if (told && !['SCRIPT', 'NOSCRIPT', 'OPTION'].includes(e.tagName))
      words.push([ratio(parts(style.color), behind(e)), e.outerHTML]);
    if (e.matches('button, .button, select, summary, .choice, progress, input:not([type=file])')) {{
      const seen = parts(parseFloat(style.borderTopWidth) ? style.borderTopColor : style.backgroundColor);
      if (!e.matches('[type=radio], [type=checkbox]'))
        edges.push([ratio(seen, behind(e.parentElement)), e.outerHTML]);
    }}
  }}
  return [words.length, least(words), edges.length, least(edges)];
}})()
"""
"""Gives the number of words, the one that stands out least (its ratio and its markup), and the same for edges."""
