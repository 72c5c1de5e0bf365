// Small helps for readers with scripts on. Every page is complete without this file.
(function () {
  "use strict";

  // Buttons that copy a text of the page. They are hidden until we know that copying can work.
  function offerCopying() {
    if (!navigator.clipboard) {
      return; // pages opened from disk may not be allowed to copy; the text can be selected instead
    }
    document.querySelectorAll("button.copy").forEach(function (button) {
      const source = document.getElementById(button.dataset.copies);
      const said = button.parentElement.querySelector(".copied");
      if (!source) {
        return;
      }
      button.hidden = false;
      button.addEventListener("click", function () {
        navigator.clipboard.writeText(source.textContent).then(
          function () {
            said.textContent = "Copied.";
          },
          function () {
            said.textContent = "The browser did not allow it. Select the text instead.";
          }
        );
      });
    });
  }

  offerCopying();
})();
