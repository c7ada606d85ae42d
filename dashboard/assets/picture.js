/* The browser's half of dashboard/picture.py. The text is made by the page's own server, its words escaped. */
"use strict";
window.nightbank = {
  Picture: function (props) {
    return window.React.createElement("div", {
      id: props.id,
      className: "frame",
      dangerouslySetInnerHTML: { __html: props.svg },
    });
  },
};
