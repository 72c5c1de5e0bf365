// Shows quantities in the units a reader likes, and remembers them. Every text was made when the site was built:
// each quantity carries its other forms in data-gf, data-n and data-ozf, or in data-c and data-f.
(function () {
  "use strict";

  const root = document.documentElement;
  const box = document.getElementById("units");
  const STORE = "whirlbook-units";
  const CHOICES = { thrust: ["gf", "n", "ozf"], temperature: ["c", "f"] };
  if (!box || !root.dataset.thrust) {
    return;
  }
  const own = { thrust: root.dataset.thrust, temperature: root.dataset.temperature };
  const fields = Array.from(box.querySelectorAll("select[data-units]"));
  const summary = box.querySelector("summary");
  const said = summary.textContent;

  // A browser may refuse to remember, above all for pages opened from disk; the choice then lasts for the page.
  function remembered() {
    const chosen = Object.assign({}, own);
    try {
      const kept = JSON.parse(localStorage.getItem(STORE)) || {};
      Object.keys(CHOICES).forEach(function (kind) {
        if (CHOICES[kind].includes(kept[kind])) {
          chosen[kind] = kept[kind];
        }
      });
    } catch (refused) {
      // the season's own units, then
    }
    return chosen;
  }

  function remember(chosen) {
    try {
      localStorage.setItem(STORE, JSON.stringify(chosen));
    } catch (refused) {
      // for this page only
    }
  }

  function showIn(place, kind, wanted) {
    place.querySelectorAll(".q[data-" + wanted + "]").forEach(function (quantity) {
      const now = CHOICES[kind].find(function (key) {
        return !quantity.hasAttribute("data-" + key);
      });
      quantity.setAttribute("data-" + now, quantity.textContent);
      quantity.textContent = quantity.getAttribute("data-" + wanted);
      quantity.removeAttribute("data-" + wanted);
    });
  }

  function apply(chosen, place) {
    Object.keys(CHOICES).forEach(function (kind) {
      root.setAttribute("data-" + kind, chosen[kind]);
      showIn(place, kind, chosen[kind]);
    });
    fields.forEach(function (field) {
      field.value = chosen[field.dataset.units];
    });
    const words = fields.map(function (field) {
      return field.selectedOptions[0].textContent.split(",")[0];
    });
    summary.textContent = said + ": " + words.join(", ");
    if (place === document) {
      document.dispatchEvent(new Event("whirlbook-units"));
    }
  }

  fields.forEach(function (field) {
    field.addEventListener("change", function () {
      const chosen = {};
      fields.forEach(function (other) {
        chosen[other.dataset.units] = other.value;
      });
      remember(chosen);
      apply(chosen, document);
    });
  });
  box.addEventListener("keydown", function (event) {
    if (event.key === "Escape" && box.open) {
      box.open = false;
      summary.focus();
    }
  });
  document.addEventListener("click", function (event) {
    if (!box.contains(event.target)) {
      box.open = false;
    }
  });
  // What a script adds later, such as the results of a search.
  document.addEventListener("whirlbook-added", function (event) {
    if (event.target.querySelector(".q")) {
      box.hidden = false;
      apply(remembered(), event.target);
    }
  });
  window.addEventListener("pageshow", function (event) {
    if (event.persisted) {
      apply(remembered(), document);
    }
  });
  // The overlay draws its own numbers, and listens.
  if (document.querySelector(".q, .overlay-tool")) {
    box.hidden = false;
    apply(remembered(), document);
  }
})();
