"use strict";
/* For pages without page.js: light, forms, and loading again what has changed. */
{
  const root = document.documentElement, night = matchMedia("(prefers-color-scheme: dark)"), data = document.body.dataset;
  const kept = k => { try { return localStorage.getItem(k) || ""; } catch { return ""; } };
  const theme = () => { root.dataset.theme = kept("rimelog-light") || (night.matches ? "dark" : "light"); };
  night.addEventListener("change", theme);
  theme();
  document.addEventListener("submit", async e => {
    const form = e.target;
    e.preventDefault();
    let said = "The program behind this page does not answer.";
    try {
      const r = await fetch(form.dataset.post, { method: "POST", headers: { "Content-Type": "application/json", "X-Rimelog-Key": kept("rimelog-key") }, body: JSON.stringify(Object.fromEntries(new FormData(form))) }), answer = await r.json();
      if (r.ok) return location.assign(answer.go);
      said = answer.title;
    } catch { /* said below */ }
    document.getElementById("said").textContent = said;
  });
  if (data.version) setInterval(async () => {
    if (document.hidden) return;
    try {
      const r = await fetch(location.pathname + "/version");
      if (r.ok && (await r.json()).version !== data.version) location.reload();
    } catch { /* the next time */ }
  }, 2000);
}
