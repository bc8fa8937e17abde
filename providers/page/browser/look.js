// What is wrong with the page as it is shown, found by asking the browser where
// everything is and how it is coloured.
(() => {
  const found = { Overflows: [], Overlaps: [], Faint: [], Lost: [], Texts: 0 };
  const root = document.scrollingElement;
  const short = (text) => JSON.stringify(text.trim().slice(0, 60));
  const seen = (element) => element.checkVisibility({ checkOpacity: true, checkVisibilityCSS: true, contentVisibilityAuto: true });
  if (root.scrollWidth > root.clientWidth) found.Overflows.push(`the page: ${root.scrollWidth} of ${root.clientWidth}`);

  // Relative luminance and contrast ratio (WCAG 2.2, definitions; success criteria
  // 1.4.3 and 1.4.11). Colours are given by browsers as rgb() or rgba().
  const rgba = (text) => { const n = (text.match(/[\d.]+/g) || []).map(Number); return n.length < 3 ? [0, 0, 0, 0] : [n[0], n[1], n[2], n[3] === undefined ? 1 : n[3]]; };
  const luminance = ([r, g, b]) => [r, g, b].map((c) => c / 255).map((c) => c <= 0.04045 ? c / 12.92 : ((c + 0.055) / 1.055) ** 2.4)
    .reduce((sum, c, i) => sum + c * [0.2126, 0.7152, 0.0722][i], 0);
  const ratio = (a, b) => { const [x, y] = [luminance(a), luminance(b)].sort((m, n) => n - m); return (x + 0.05) / (y + 0.05); };
  const behind = (element) => {
    for (let at = element; at; at = at.parentElement) {
      const colour = rgba(getComputedStyle(at).backgroundColor);
      if (colour[3] === 1) return colour;
      if (colour[3] > 0) found.Faint.push("half transparent behind " + short(element.textContent));
    }
    found.Faint.push("nothing behind " + short(element.textContent));
    return [127, 127, 127, 1];
  };

  // Every line of every text.
  const lines = [];
  const walker = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  for (let node = walker.nextNode(); node; node = walker.nextNode()) {
    const element = node.parentElement;
    if (!node.textContent.trim() || !seen(element) || element.closest("title, .skip, .unseen")) continue;
    found.Texts++;
    const style = getComputedStyle(element);
    const inSVG = element instanceof SVGElement;
    const [ink, paper] = inSVG ? [rgba(style.fill), style.paintOrder.startsWith("stroke") ? rgba(style.stroke) : behind(element)] : [rgba(style.color), behind(element)];
    const size = parseFloat(style.fontSize), bold = parseInt(style.fontWeight) >= 700;
    const least = size >= 24 || bold && size >= 18.66 ? 3 : 4.5;
    if (ratio(ink, paper) < least) found.Faint.push(`${short(node.textContent)} ${ratio(ink, paper).toFixed(2)} of ${least}`);
    const range = document.createRange();
    range.selectNodeContents(node);
    for (const box of range.getClientRects()) {
      if (box.width < 1 || box.height < 1) continue;
      if (box.right > root.clientWidth + 0.5 || box.left < -0.5) found.Overflows.push(short(node.textContent));
      // A line is as high as its font asks for; the letters take the middle of it.
      const trim = box.height * 0.2;
      lines.push({ node, left: box.left + 0.5, right: box.right - 0.5, top: box.top + trim, bottom: box.bottom - trim });
    }
  }
  lines.sort((a, b) => a.top - b.top);
  for (let i = 0; i < lines.length; i++) {
    for (let j = i + 1; j < lines.length && lines[j].top < lines[i].bottom; j++) {
      const a = lines[i], b = lines[j];
      if (a.node !== b.node && a.left < b.right && b.left < a.right) found.Overlaps.push(`${short(a.node.textContent)} and ${short(b.node.textContent)}`);
    }
  }

  // Lines and borders without which a picture could not be understood.
  for (const [selector, property] of [[".lanes path", "stroke"], [".bar rect", "stroke"], [".score line", "stroke"], [".band rect.home", "fill"], [".band rect.lent", "stroke"],
    [".band rect.returning", "fill"], [".alarm", "fill"], [".fence", "borderTopColor"], [".f:not(.port)", "borderTopColor"], [".marks a", "borderTopColor"]]) {
    for (const element of document.querySelectorAll(selector)) {
      const colour = rgba(getComputedStyle(element)[property]), paper = behind(element.closest("div, li, td") === element ? element.parentElement : element.closest("div, li, td"));
      if (seen(element) && ratio(colour, paper) < 3) found.Faint.push(`${selector} ${ratio(colour, paper).toFixed(2)} of 3`);
    }
  }

  const told = new Set();
  for (const link of document.querySelectorAll("a[href^='#']")) {
    const to = link.getAttribute("href").slice(1);
    if (told.has(to)) continue;
    told.add(to);
    const place = document.getElementById(decodeURIComponent(to));
    const box = place && place.getBoundingClientRect();
    if (!place || !seen(place) || box.width < 1 || box.height < 1) found.Lost.push(to);
  }
  return found;
})()
