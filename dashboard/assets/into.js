/* The browser's half of dashboard/into.py: draws what it is given into a place of the page that stands, in the
   stead of what stood there; a tap that came too early is not lost. */
"use strict";
window.nightbank = {
  Into: function (props) {
    const place = document.getElementById(props.place);
    const [stood] = window.React.useState(() => [...place.children]);
    window.React.useLayoutEffect(() => {
      const tapped = stood.some((each) => each.contains(window.tapped)) ? window.tapped.id : "";
      stood.forEach((each) => each.remove());
      document.getElementById("react-entry-point").classList.add("alive");
      if (tapped) setTimeout(() => document.getElementById(tapped).click());
    }, []);
    return window.ReactDOM.createPortal(props.children, place);
  },
};
