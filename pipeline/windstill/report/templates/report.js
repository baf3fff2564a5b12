"use strict";
(() => {
  const root = document.documentElement;
  root.classList.add("js");
  const one = (where, what) => where.querySelector(what);
  const all = (where, what) => [...where.querySelectorAll(what)];
  const said = document.getElementById("said");
  const tell = (words) => { said.textContent = ""; requestAnimationFrame(() => { said.textContent = words; }); };
  const store = {
    get(key) { try { return localStorage.getItem("windstill-" + key); } catch { return null; } },
    set(key, value) { try { localStorage.setItem("windstill-" + key, value); } catch { /* private window */ } },
  };

  /* Appearance */
  const looks = ["auto", "light", "dark"];
  const lookButton = document.getElementById("appearance");
  let look = looks.includes(store.get("appearance")) ? store.get("appearance") : "auto";
  const showLook = () => {
    if (look === "auto") delete root.dataset.appearance; else root.dataset.appearance = look;
    one(lookButton, "span").textContent = look;
  };
  const nextLook = () => {
    look = looks[(looks.indexOf(look) + 1) % looks.length];
    store.set("appearance", look);
    showLook();
    tell("Appearance: " + look);
  };
  lookButton.addEventListener("click", nextLook);
  showLook();

  /* Choosing and ordering sets */
  const bar = document.getElementById("bar");
  const cards = all(document, "article.set");
  const homes = new Map(cards.map((card) => [card, { parent: card.parentNode, next: card.nextSibling }]));
  const scenes = document.getElementById("scenes");
  const ordered = document.getElementById("ordered");
  const nothing = document.getElementById("nothing");
  const kind = document.getElementById("by-kind");
  const scene = document.getElementById("by-scene");
  const order = document.getElementById("by-order");
  const picks = bar ? all(bar, "input[name=outlook]") : [];
  const everything = document.getElementById("all-sets");

  const arrange = () => {
    const outlooks = picks.filter((p) => p.checked).map((p) => p.value);
    const chosen = outlooks.length > 0 || kind.value !== "" || scene.value !== "";
    let shown = 0;
    for (const card of cards) {
      const data = card.dataset;
      const fits = (outlooks.length === 0 || outlooks.includes(data.outlook)) &&
        (kind.value === "" || data.kind === kind.value) && (scene.value === "" || data.scene === scene.value);
      card.hidden = !fits;
      shown += fits ? 1 : 0;
    }
    if (order.value === "time") {
      for (const [card, home] of [...homes].reverse()) home.parent.insertBefore(card, home.next);
    } else {
      const value = (card) => Number(card.dataset[order.value]);
      const sorted = [...cards].sort((a, b) => value(b) - value(a) || a.dataset.number - b.dataset.number);
      ordered.append(...sorted);
    }
    ordered.hidden = order.value === "time";
    scenes.hidden = order.value !== "time";
    for (const part of all(scenes, ".scene")) part.hidden = !all(part, "article.set").some((card) => !card.hidden);
    for (const part of all(scenes, ".takes")) part.hidden = chosen;
    nothing.hidden = shown > 0;
    everything.hidden = !chosen && order.value === "time";
    one(bar, "#count").textContent = chosen ? shown + " of " + cards.length + " shown" : "all " + cards.length + " shown";
  };
  const showAll = () => {
    for (const pick of picks) pick.checked = false;
    kind.value = scene.value = "";
    order.value = "time";
    arrange();
  };
  if (bar) {
    bar.addEventListener("input", arrange);
    bar.addEventListener("submit", (event) => event.preventDefault());
    everything.addEventListener("click", showAll);
    one(nothing, "button").addEventListener("click", showAll);
    bar.reset();
    arrange();
    /* Headings must not hide behind the bar; on narrow screens it scrolls away. */
    const measureBar = () => root.style.setProperty(
      "--bar", getComputedStyle(bar).position === "sticky" ? bar.offsetHeight + "px" : "0px");
    new ResizeObserver(measureBar).observe(bar);
    addEventListener("resize", measureBar);
  }

  /* The current set */
  let here = null;
  const visible = () => all(document, "article.set").filter((card) => !card.hidden && card.offsetParent !== null);
  const mark = (card) => {
    if (here) here.classList.remove("here");
    here = card;
    here.classList.add("here");
  };
  const go = (card) => {
    if (!card) return;
    mark(card);
    card.focus({ preventScroll: true });
    /* Sets not yet drawn have estimated heights: look again once the neighbours are drawn. */
    let tries = 4;
    const settle = () => {
      card.scrollIntoView({ block: "start" });
      if (tries-- > 0 && card === here) requestAnimationFrame(settle);
    };
    settle();
  };
  const step = (by) => {
    const list = visible();
    if (list.length === 0) return;
    const at = list.indexOf(here);
    go(list[at < 0 ? (by > 0 ? 0 : list.length - 1) : Math.min(list.length - 1, Math.max(0, at + by))]);
  };
  const current = () => (here && !here.hidden ? here : visible()[0]);
  document.addEventListener("focusin", (event) => {
    const card = event.target.closest("article.set");
    if (card && card !== here) mark(card);
  });
  document.addEventListener("click", (event) => {
    const link = event.target.closest('a[href^="#set-"]');
    if (!link) return;
    const target = document.getElementById(link.hash.slice(1));
    if (!target) return;
    event.preventDefault();
    if (target.hidden && bar) showAll();
    history.replaceState(null, "", link.hash);
    go(target);
  });
  const nextScene = () => {
    const card = current();
    const list = visible();
    const number = card && card.dataset.scene;
    const after = list.slice(list.indexOf(card) + 1).find((c) => c.dataset.scene !== number);
    go(here ? after || list[0] : list[0]);
  };

  /* Flip */
  const flip = (box, other) => {
    box.classList.toggle("other", other);
    const button = one(box.parentNode, ".flip-it");
    button.setAttribute("aria-pressed", String(other));
    const name = one(box, other ? ".crop-a figcaption" : ".crop-b figcaption").textContent;
    one(button, "bdi").textContent = name;
  };
  for (const box of all(document, ".flip")) {
    const tools = box.parentNode;
    let held = false;
    const release = () => { if (held) { held = false; flip(box, !box.classList.contains("other")); } };
    box.addEventListener("pointerdown", (event) => {
      if (event.button !== 0 || box.classList.contains("beside")) return;
      held = true;
      flip(box, !box.classList.contains("other"));
    });
    for (const end of ["pointerup", "pointercancel", "pointerleave"]) box.addEventListener(end, release);
    box.addEventListener("contextmenu", (event) => { if (held) event.preventDefault(); });
    box.addEventListener("dragstart", (event) => event.preventDefault());
    one(tools, ".flip-it").addEventListener("click", () => flip(box, !box.classList.contains("other")));
    one(tools, ".beside").addEventListener("click", (event) => {
      const on = box.classList.toggle("beside");
      event.currentTarget.setAttribute("aria-pressed", String(on));
      one(tools, ".flip-it").disabled = on;
    });
  }

  /* Maps */
  const nextMap = (card) => {
    const choices = all(card, ".choice").filter((c) => c.offsetParent !== null)[0];
    if (!choices) return;
    const radios = all(choices, "input");
    const at = radios.findIndex((r) => r.checked);
    const next = radios[(at + 1) % radios.length];
    next.checked = true;
    next.dispatchEvent(new Event("change", { bubbles: true }));
    tell("Map: " + next.parentNode.textContent.trim());
  };
  /* The picture below the map: of the pair that was asked for while its sway shows, else the plate's own. */
  const bases = new Map();
  const showBase = (base, forPair) => {
    const known = bases.get(base);
    if (known) Object.assign(base, (forPair && known.pair) || known.own);
  };
  document.addEventListener("change", (event) => {
    if (!event.target.closest(".choice")) return;
    const plate = one(event.target.closest(".stage"), ".plate.has-sway");
    if (plate) showBase(one(plate, ".pile > img"), event.target.value === "sway");
  });
  document.addEventListener("click", (event) => {
    const button = event.target.closest(".show-pair");
    if (!button) return;
    const body = button.closest(".child-body") || button.closest("article.set");
    const plate = one(body, ".plate.has-sway");
    if (!plate) return;
    const source = document.getElementById(button.dataset.frame);
    const small = source && one(source, "img");
    const base = one(plate, ".pile > img");
    if (!bases.has(base)) bases.set(base, { own: { src: base.src, alt: base.alt } });
    if (small) bases.get(base).pair = { src: small.src, alt: small.alt };
    showBase(base, true);
    const layer = one(plate, ".layer-sway");
    layer.src = button.dataset.overlay;
    layer.alt = button.dataset.says;
    one(plate, ".says-sway").textContent = button.dataset.says;
    const ring = one(plate, ".ring");
    if (ring) {
      const place = (button.dataset.ring || "-1000000 -1000000").split(" ");
      for (const circle of all(ring, "circle")) {
        circle.setAttribute("cx", place[0]);
        circle.setAttribute("cy", place[1]);
      }
    }
    one(body, '.choice input[value="sway"]').checked = true;
    for (const row of all(button.closest("tbody"), "button")) row.setAttribute("aria-pressed", String(row === button));
    tell(button.dataset.says);
    plate.scrollIntoView({ block: "nearest" });
  });

  /* Copying names */
  const copyText = async (text) => {
    try {
      await navigator.clipboard.writeText(text);
      return true;
    } catch {
      const area = document.createElement("textarea");
      area.value = text;
      area.className = "sr";
      document.body.append(area);
      area.select();
      const done = document.execCommand("copy");
      area.remove();
      return done;
    }
  };
  const copy = async (button) => {
    const text = document.getElementById(button.dataset.from).textContent;
    const count = text.split("\n").length;
    const done = await copyText(text);
    const words = done ? "Copied " + count + (count === 1 ? " name" : " names") : "Copying is not allowed here: open the list below";
    const before = "Copy the file names";
    button.textContent = words;
    tell(words);
    setTimeout(() => { button.textContent = before; }, 2500);
  };
  document.addEventListener("click", (event) => {
    const button = event.target.closest("button.copy");
    if (button) copy(button);
  });

  /* Links into closed parts open them */
  const openTarget = () => {
    const target = location.hash && document.getElementById(decodeURIComponent(location.hash.slice(1)));
    for (let part = target; part; part = part.parentElement) if (part.tagName === "DETAILS") part.open = true;
    if (target && target.matches("article.set")) mark(target);
  };
  addEventListener("hashchange", openTarget);

  // On paper nobody can unfold the names to keep; the style sheet alone does it only in newer browsers.
  let unfolded = [];
  addEventListener("beforeprint", () => {
    unfolded = all(document, ".keepers details:not([open])");
    for (const list of unfolded) list.open = true;
  });
  addEventListener("afterprint", () => { for (const list of unfolded) list.open = false; });
  openTarget();

  /* Keys */
  const help = document.getElementById("help");
  const keysOn = document.getElementById("keys-on");
  keysOn.checked = store.get("keys") !== "off";
  keysOn.addEventListener("change", () => store.set("keys", keysOn.checked ? "on" : "off"));
  const openHelp = () => help.showModal();
  document.getElementById("open-help").addEventListener("click", openHelp);
  document.getElementById("close-help").addEventListener("click", () => help.close());

  const nextOutlook = () => {
    const usable = picks.filter((p) => !p.disabled);
    const at = usable.findIndex((p) => p.checked);
    for (const pick of picks) pick.checked = false;
    if (at + 1 < usable.length) usable[at + 1].checked = true;
    arrange();
    tell(at + 1 < usable.length ? "Only " + usable[at + 1].value : "All sets");
  };
  const nextOrder = () => {
    order.selectedIndex = (order.selectedIndex + 1) % order.options.length;
    arrange();
    tell("Order: " + order.selectedOptions[0].textContent);
  };
  const doing = {
    n: () => step(1),
    p: () => step(-1),
    g: nextScene,
    f: () => {
      const card = current();
      const box = card && one(card, ".flip");
      if (box && !box.classList.contains("beside")) flip(box, !box.classList.contains("other"));
    },
    m: () => current() && nextMap(current()),
    i: () => {
      const parts = current() ? all(current(), ":scope > .pairs, :scope > .inside > details") : [];
      const open = !parts.some((part) => part.open);
      for (const part of parts) part.open = open;
    },
    c: () => { const button = current() && one(current(), "button.copy"); if (button) copy(button); },
    o: () => bar && nextOutlook(),
    s: () => bar && nextOrder(),
    a: () => { if (bar) { showAll(); tell("All sets, as shot"); } },
    b: () => { scrollTo({ top: 0 }); one(document, ".columns a, #headline")?.focus(); },
    d: nextLook,
    "?": openHelp,
  };
  document.addEventListener("keydown", (event) => {
    if (event.ctrlKey || event.metaKey || event.altKey || help.open || !keysOn.checked) return;
    if (event.target.closest("select, textarea, input:not([type=checkbox]):not([type=radio])")) return;
    const act = doing[event.key.length === 1 ? event.key.toLowerCase() : event.key];
    if (!act) return;
    event.preventDefault();
    act();
  });
})();
