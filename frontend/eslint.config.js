// Rules for the screens' scripts and their tests.
import js from "@eslint/js";
import globals from "globals";

export default [
  js.configs.recommended,
  {
    languageOptions: { ecmaVersion: 2023, sourceType: "module", globals: globals.browser },
    rules: { eqeqeq: "error", "no-var": "error", "prefer-const": "error", "no-unused-vars": ["error", { argsIgnorePattern: "^_" }] },
  },
  { files: ["frontend/**"], languageOptions: { globals: globals.node } },
];
