// Narrows the answers on the front page. The choices stand in the address, so that a narrowed list can be passed on.
(function () {
  "use strict";

  const box = document.getElementById("filters");
  if (!box) {
    return;
  }
  const fields = Array.from(box.querySelectorAll("select[data-filter]"));
  const count = document.getElementById("filter-count");
  const clear = document.getElementById("filter-clear");
  const cards = Array.from(document.querySelectorAll("article.card"));

  function fits(card, field) {
    const own = card.getAttribute("data-" + field.dataset.filter) || "";
    return !field.value || own.split(" ").includes(field.value);
  }

  function show() {
    let shown = 0;
    cards.forEach(function (card) {
      card.hidden = !fields.every(function (field) {
        return fits(card, field);
      });
      shown += card.hidden ? 0 : 1;
    });
    const narrowed = fields.some(function (field) {
      return field.value;
    });
    clear.hidden = !narrowed;
    if (!narrowed) {
      count.textContent = cards.length + (cards.length === 1 ? " answer shown." : " answers shown.");
    } else if (shown) {
      count.textContent = shown + " of " + cards.length + " answers shown.";
    } else {
      count.textContent = "No answer fits all of these. Leave one of them open.";
    }
  }

  function write() {
    const chosen = new URLSearchParams();
    fields.forEach(function (field) {
      if (field.value) {
        chosen.set(field.dataset.filter, field.value);
      }
    });
    const words = chosen.toString();
    try {
      history.replaceState(null, "", words ? "#" + words : location.pathname + location.search);
    } catch (refused) {
      location.hash = words; // some browsers guard the address of a page opened from disk
    }
  }

  // Places on the page are addresses too (#latest); those of ours hold an equals sign.
  function read() {
    const words = location.hash.slice(1);
    const chosen = new URLSearchParams(words.includes("=") ? words : "");
    fields.forEach(function (field) {
      field.value = chosen.get(field.dataset.filter) || "";
      if (field.selectedIndex < 0) {
        field.value = ""; // a choice that this season does not have
      }
      if (field.value) {
        box.open = true;
      }
    });
    show();
  }

  // The list stands below the latest answers: an address that narrows it leads to it.
  function lead() {
    if (box.open && !clear.hidden) {
      box.scrollIntoView();
    }
  }

  fields.forEach(function (field) {
    field.addEventListener("change", function () {
      write();
      show();
    });
  });
  clear.addEventListener("click", function () {
    fields.forEach(function (field) {
      field.value = "";
    });
    write();
    show();
    fields[0].focus(); // the button goes away
  });
  window.addEventListener("hashchange", read);
  box.hidden = false;
  read();
  lead();
})();
