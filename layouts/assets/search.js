// Searches the season without a server. The index comes after this file, in pieces that each call whirlbookSearch
// with entries: [kind, title, address, context, text, further words].
(function () {
  "use strict";

  const FIELDS = [
    { weight: 6, words: "title" },
    { weight: 3, words: "text" },
    { weight: 2, words: "context" },
    { weight: 2, words: "further" },
    { weight: 1, words: "kind" },
  ];
  const EXACT = 1; // how well a word of the entry answers a word of the search
  const BEGINS = 0.7;
  const INSIDE = 0.35;
  const NEARLY = 0.3;
  const AT_A_TIME = 20;

  const box = document.getElementById("search");
  const input = document.getElementById("search-words");
  const count = document.getElementById("search-count");
  const list = document.getElementById("search-results");
  const more = document.getElementById("search-more");
  const plain = document.getElementById("search-lists");
  const entries = [];
  let results = [];
  let waiting = 0;

  function folded(text) {
    return text.normalize("NFKD").replace(/\p{M}/gu, "").toLowerCase();
  }

  function wordsOf(text) {
    return folded(text).match(/[\p{L}\p{N}]+(?:\.\p{N}+)*/gu) || [];
  }

  function flat(text) {
    return text.map(function (piece) {
      return typeof piece === "string" ? piece : piece[piece.first];
    }).join("");
  }

  window.whirlbookSearch = function (piece) {
    piece.forEach(function (raw) {
      const entry = { kind: raw[0], title: raw[1], address: raw[2], context: raw[3], text: raw[4] };
      entry.words = {
        kind: wordsOf(raw[0]),
        title: wordsOf(raw[1]),
        context: wordsOf(raw[3]),
        text: wordsOf(flat(raw[4])),
        further: wordsOf(raw[5]),
      };
      entry.folded = folded(raw[1]);
      entries.push(entry);
    });
    wait();
  };

  // Whether two words differ by one letter put in, left out, changed, or by two neighbours swapped.
  function nearly(a, b) {
    if (Math.abs(a.length - b.length) > 1) {
      return false;
    }
    let start = 0;
    while (start < a.length && a[start] === b[start]) {
      start += 1;
    }
    const rest = [a.slice(start), b.slice(start)];
    return (
      rest[0].slice(1) === rest[1].slice(1) ||
      rest[0].slice(1) === rest[1] ||
      rest[0] === rest[1].slice(1) ||
      (rest[0][0] === rest[1][1] && rest[0][1] === rest[1][0] && rest[0].slice(2) === rest[1].slice(2))
    );
  }

  function likeness(word, wanted) {
    if (word === wanted) {
      return EXACT;
    }
    if (word.startsWith(wanted)) {
      return BEGINS;
    }
    if (wanted.length > 2 && word.includes(wanted)) {
      return INSIDE;
    }
    return wanted.length > 4 && nearly(word, wanted) ? NEARLY : 0;
  }

  function scoreOf(entry, wanted) {
    let score = 0;
    FIELDS.forEach(function (field) {
      let best = 0;
      entry.words[field.words].forEach(function (word) {
        best = Math.max(best, likeness(word, wanted));
      });
      score = Math.max(score, field.weight * best);
    });
    return score;
  }

  // Rare words count more than common ones; entries that hold all words come before entries that hold some.
  function find(query) {
    const wanted = Array.from(new Set(wordsOf(query)));
    const scores = wanted.map(function (word) {
      return entries.map(function (entry) {
        return scoreOf(entry, word);
      });
    });
    const whole = folded(query).trim();
    const found = entries.map(function (entry, place) {
      const hit = { entry: entry, place: place, held: 0, score: entry.folded.includes(whole) ? 4 : 0 };
      scores.forEach(function (own) {
        if (own[place] > 0) {
          const holders = own.filter(Boolean).length;
          hit.held += 1;
          hit.score += own[place] * Math.log(1 + entries.length / holders);
        }
      });
      return hit;
    });
    const most = found.reduce(function (high, hit) {
      return Math.max(high, hit.held);
    }, 0);
    const hits = most ? found.filter(function (hit) {
      return hit.held === most;
    }) : [];
    hits.sort(function (a, b) {
      return b.score - a.score || a.place - b.place;
    });
    return { hits: hits, all: most === wanted.length, wanted: wanted };
  }

  // Text with the words that were looked for in <mark>, never as HTML.
  function addMarked(parent, text, wanted) {
    let end = 0;
    for (const match of text.matchAll(/[\p{L}\p{N}]+(?:\.\p{N}+)*/gu)) {
      const word = folded(match[0]);
      const hit = wanted.some(function (looked) {
        return likeness(word, looked) > 0;
      });
      if (hit) {
        const mark = document.createElement("mark");
        mark.textContent = match[0];
        parent.append(text.slice(end, match.index), mark);
        end = match.index + match[0].length;
      }
    }
    parent.append(text.slice(end));
  }

  function addText(parent, text, wanted) {
    text.forEach(function (piece) {
      if (typeof piece === "string") {
        addMarked(parent, piece, wanted);
        return;
      }
      const quantity = document.createElement("span");
      quantity.className = "q";
      quantity.textContent = piece[piece.first];
      Object.keys(piece).forEach(function (key) {
        if (key !== "first" && key !== piece.first) {
          quantity.setAttribute("data-" + key, piece[key]);
        }
      });
      parent.append(quantity);
    });
  }

  function line(hit, wanted) {
    const item = document.createElement("li");
    const head = item.appendChild(document.createElement("p"));
    const door = head.appendChild(document.createElement("a"));
    door.href = hit.entry.address;
    addMarked(door, hit.entry.title, wanted);
    head.append(" ");
    const kind = head.appendChild(document.createElement("span"));
    kind.className = "mild-label";
    kind.textContent = hit.entry.kind;
    if (hit.entry.text.length) {
      addText(item.appendChild(document.createElement("p")), hit.entry.text, wanted);
    }
    if (hit.entry.context) {
      const context = item.appendChild(document.createElement("p"));
      context.className = "quiet";
      addMarked(context, hit.entry.context, wanted);
    }
    return item;
  }

  function showMore() {
    const from = list.children.length;
    results.hits.slice(from, from + AT_A_TIME).forEach(function (hit) {
      list.append(line(hit, results.wanted));
    });
    more.hidden = list.children.length >= results.hits.length;
    list.dispatchEvent(new Event("whirlbook-added", { bubbles: true }));
    return from;
  }

  function show() {
    const query = input.value.trim();
    list.replaceChildren();
    more.hidden = true;
    plain.hidden = query !== "";
    if (!wordsOf(query).length) {
      results = { hits: [], all: true, wanted: [] };
      plain.hidden = false;
      count.textContent = "";
      return;
    }
    results = find(query);
    const number = results.hits.length;
    if (!number) {
      count.textContent = "Nothing found. Fewer or other words may help.";
    } else if (results.all) {
      count.textContent = number + (number === 1 ? " result." : " results.");
    } else {
      count.textContent = "Nothing holds all of these words. " + number + (number === 1 ? " holds" : " hold") + " some.";
    }
    showMore();
  }

  function wait() {
    clearTimeout(waiting);
    waiting = setTimeout(show, 80);
  }

  function write() {
    const words = input.value.trim();
    try {
      const empty = location.pathname + location.search;
      history.replaceState(null, "", words ? "#q=" + encodeURIComponent(words) : empty);
    } catch (refused) {
      location.hash = words ? "q=" + encodeURIComponent(words) : ""; // a guarded address of a page opened from disk
    }
  }

  function read() {
    const words = new URLSearchParams(location.hash.slice(1)).get("q") || "";
    if (words !== input.value.trim()) {
      input.value = words;
    }
    wait();
  }

  input.addEventListener("input", function () {
    write();
    wait();
  });
  input.addEventListener("keydown", function (event) {
    if (event.key === "Enter" && !event.isComposing) {
      clearTimeout(waiting);
      show();
      const first = list.querySelector("a");
      if (first) {
        first.focus();
      }
    }
  });
  more.addEventListener("click", function () {
    const from = showMore();
    list.children[from].querySelector("a").focus();
  });
  window.addEventListener("hashchange", read);
  box.hidden = false;
  read();
})();
