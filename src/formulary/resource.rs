//! A product read from a FHIR NutritionProduct.
