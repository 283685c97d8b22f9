// SPDX-License-Identifier: MIT
// The bundler makes a text of the style sheet.
declare module "*.css" {
  const text: string;
  export default text;
}
